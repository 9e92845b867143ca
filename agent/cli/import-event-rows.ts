/** The rows of an activity log (blasts, trucks, mowing), line by line: which are taken, which refused and why. */
import type { StageCounts } from '../terms/terms.js'
import { wrongUse, type Opened } from './desk.js'
import type { Activity } from './import-events.js'
import { importPlan, type ImportOptions, type ImportPlan } from './import-plan.js'
import { RefusedLines } from './import-file.js'
import { cellsOf, likelyDelimiter } from './import-cells.js'
import { usualTimes } from './import-header.js'
import { wallClock } from './import-time.js'

export const eventRefusals = {
  'too-long': 'longer than a row can be',
  'before-header': 'before the line of headings',
  blank: 'empty',
  comment: 'a remark',
  'header-again': 'the headings again',
  'not-a-row': 'another number of cells than there are headings',
  'no-time': 'no start that can be read',
  'no-end': 'an end or a duration that cannot be read',
  'ends-before': 'an end before its start',
  'too-lasting': 'longer than 31 days',
  'never-was': 'a time that never was: the clocks went forward',
  'came-twice': 'a time that came twice: the clocks went back',
  'no-zone': 'a time without offset, and no --zone',
  double: 'the same start, end, kind and words again',
  'too-many': 'more rows than can be taken at once',
} as const
export type EventRefusal = keyof typeof eventRefusals

const fields = ['start', 'end', 'minutes', 'kind', 'words'] as const
type Field = (typeof fields)[number]

const usualNames: Readonly<Record<Field, readonly string[]>> = {
  start: ['start', 'from', 'begin', ...usualTimes],
  end: ['end', 'to', 'until', 'stop'],
  minutes: ['minutes', 'min', 'duration (min)', 'duration_min'],
  kind: ['kind', 'activity', 'event', 'type', 'what'],
  words: ['words', 'note', 'notes', 'comment', 'remarks', 'description'],
}

export interface EventPlan extends Pick<
  ImportPlan,
  'readTime' | 'zone' | 'delimiter' | 'header' | 'missing'
> {
  /** Columns by field, as typed; a time may be made of several. */
  readonly columns: Readonly<Partial<Record<Field, readonly string[]>>>
  readonly decimal: ImportPlan['decimal']
}

export function eventPlan(options: ImportOptions): Opened<EventPlan> {
  const plan = importPlan({ ...options, map: [], units: [] })
  if (!plan.ok) return plan
  const columns: Partial<Record<Field, readonly string[]>> = {}
  for (const text of options.map ?? []) {
    const [field, column] = [text.slice(0, text.indexOf('=')), text.slice(text.indexOf('=') + 1)]
    if (!text.includes('=') || column === '' || !(fields as readonly string[]).includes(field))
      return wrongUse(`--map ${text}: of an activity log these are asked for: ${fields.join(', ')}`)
    columns[field as Field] = [column]
  }
  if (plan.value.time) columns.start = plan.value.time
  if (options.endTime !== undefined) columns.end = options.endTime.split(',')
  return { ok: true, value: { ...plan.value, columns } }
}

const mostActivities = 200_000
const longestMillis = 31 * 86_400_000
const firstFew = 5
const mostBeforeHeader = 200
const longestKind = 40
const longestWords = 400

type Places = Readonly<Partial<Record<Field, readonly number[]>>> & {
  readonly cells: number
  readonly text: string
}

export class EventRows {
  readonly refused = new RefusedLines<EventRefusal>()
  header: Places | undefined
  firstLine = ''
  lines = 0
  private readonly taken: Activity[] = []
  private readonly seen = new Set<string>()
  private delimiter = ','
  private readonly toUtc: ((millis: number) => number | EventRefusal) | undefined

  constructor(private readonly plan: EventPlan) {
    this.toUtc = plan.zone && wallClock(plan.zone)
  }

  take(line: string): void {
    this.lines++
    const refusal = this.header ? this.row(line, this.header) : this.beforeHeader(line)
    if (refusal !== undefined) this.refuse(refusal)
  }

  refuse(reason: EventRefusal): void {
    this.refused.refuse(reason, this.lines, firstFew)
  }

  get isLost(): boolean {
    return this.header === undefined && this.lines > mostBeforeHeader
  }

  private beforeHeader(line: string): EventRefusal | undefined {
    if (line.trim() === '') return 'blank'
    if (this.firstLine === '') this.firstLine = line.slice(0, 200)
    this.delimiter = this.plan.delimiter ?? likelyDelimiter(line, this.plan.decimal)
    const cells = cellsOf(line, this.delimiter)
    const names = this.plan.header ? cells : cells.map((_, i) => String(i + 1))
    this.header = placesOf(names, line, this.plan)
    if (!this.header) return 'before-header'
    return this.plan.header ? undefined : this.row(line, this.header)
  }

  private row(line: string, places: Places): EventRefusal | undefined {
    if (line.trim() === '') return 'blank'
    if (line.startsWith('#')) return 'comment'
    if (this.plan.header && line === places.text) return 'header-again'
    const cells = cellsOf(line, this.delimiter)
    if (cells.length !== places.cells) return 'not-a-row'
    const start = this.timeOf(textAt(cells, places.start))
    if (typeof start !== 'number') return start
    const end = this.endOf(cells, places, start)
    if (typeof end !== 'number') return end
    return this.keep(start, end, cells, places)
  }

  private timeOf(text: string): number | EventRefusal {
    const time = this.plan.readTime(text)
    if (!time) return 'no-time'
    if (time.hasOffset) return time.millis
    return this.toUtc ? this.toUtc(time.millis) : 'no-zone'
  }

  private endOf(cells: readonly string[], { end, minutes }: Places, start: number): number | EventRefusal {
    const isMissing = (text: string): boolean => this.plan.missing.has(text.toLowerCase())
    const [endText, minutesText] = [textAt(cells, end), textAt(cells, minutes)]
    if (end && !isMissing(textAt(cells, end.slice(-1)))) {
      const at = this.timeOf(endText)
      return at === 'no-time' ? 'no-end' : at
    }
    if (!minutes || isMissing(minutesText)) return start
    const lasting = this.plan.decimal === 'comma' ? minutesText.replace(',', '.') : minutesText
    return /^\d+(\.\d+)?$/.test(lasting) ? start + Number(lasting) * 60_000 : 'no-end'
  }

  private keep(
    start: number,
    end: number,
    cells: readonly string[],
    places: Places,
  ): EventRefusal | undefined {
    if (end < start) return 'ends-before'
    if (end - start > longestMillis) return 'too-lasting'
    const kind = cleaned(textAt(cells, places.kind)).toLowerCase().slice(0, longestKind) || 'activity'
    const words = cleaned(textAt(cells, places.words)).slice(0, longestWords)
    const key = JSON.stringify([start, end, kind, words])
    if (this.seen.has(key)) return 'double'
    if (this.taken.length >= mostActivities) return 'too-many'
    this.seen.add(key)
    this.taken.push({ start, end, kind, words })
    return undefined
  }

  /** In order of start. */
  finish(): Activity[] {
    return [...this.taken].sort((a, b) => a.start - b.start || a.end - b.end)
  }

  /** Lines that are no headings: taken = given + refused. */
  counts(): StageCounts {
    const refused = this.refused.byReason()
    const rows = this.lines - (this.header && this.plan.header ? 1 : 0)
    return { taken: rows, given: this.taken.length, held: 0, refused }
  }
}

const textAt = (cells: readonly string[], at: readonly number[] | undefined): string =>
  at === undefined
    ? ''
    : at
        .map((i) => cells[i])
        .join(' ')
        .trim()

/** What would break a line or move a terminal's cursor becomes a blank. */
const cleaned = (text: string): string => text.replace(/[\x00-\x1f\x7f-\x9f]/g, ' ').trim()

function placesOf(names: readonly string[], text: string, { columns }: EventPlan): Places | undefined {
  const at = (name: string): number => names.findIndex((one) => one.toLowerCase() === name.toLowerCase())
  const places: Partial<Record<Field, readonly number[]>> = {}
  const used = new Set<number>()
  for (const field of fields) {
    const typed = columns[field]?.map(at)
    if (typed?.some((i) => i < 0)) return undefined
    const usual = usualNames[field].map(at).find((i) => i >= 0 && !used.has(i))
    const found = typed ?? (usual === undefined ? undefined : [usual])
    if (!found) continue
    places[field] = found
    for (const i of found) used.add(i)
  }
  return places.start ? { ...places, cells: names.length, text } : undefined
}
