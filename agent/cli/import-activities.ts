/** Reads a foreign activity log into an events file of our own, and says what was taken and what was not. */
import { join } from 'node:path'
import { utcMillis, utcText } from '../terms/terms.js'
import { refuse, wrongUse, type Opened } from './desk.js'
import { isoText } from './desk-zone.js'
import { eventsLines, type Activity } from './import-events.js'
import { eventPlan, eventRefusals, EventRows } from './import-event-rows.js'
import { eachTextLine } from './import-lines.js'
import type { ImportOptions } from './import-plan.js'
import { refusedLines } from './import-words.js'
import { nameFor, writeInto } from './import-write.js'
import { tableText } from './plain-text.js'
import { Progress } from './progress.js'

interface ImportedActivities {
  readonly from: string
  readonly to: string
  readonly name: string
  readonly rows: EventRows
  readonly activities: readonly Activity[]
  readonly offsetMinutes: number
}

/** What such a log is expected to hold besides rows is no trouble. */
const ordinary: readonly string[] = ['blank', 'comment', 'before-header', 'header-again', 'double']

/** @returns exit code: 0 every row was taken, 1 some were refused or the file could not be read, 2 wrong use */
export async function importActivities(file: string, options: ImportOptions): Promise<number> {
  const done = await importInto(file, options)
  if (!done.ok) return refuse(done)
  process.stdout.write((options.json ? json(done.value) : text(done.value).join('\n')) + '\n')
  return [...done.value.rows.refused.keys()].some((reason) => !ordinary.includes(reason)) ? 1 : 0
}

async function importInto(file: string, options: ImportOptions): Promise<Opened<ImportedActivities>> {
  const plan = eventPlan(options)
  if (!plan.ok) return plan
  const name = nameFor(file, options)
  if (!name.ok) return name
  const rows = new EventRows(plan.value)
  const progress = new Progress('reading rows')
  const read = await eachTextLine(file, {
    line: (line) => rows.take(line),
    tooLong: () => {
      rows.lines++
      rows.refuse('too-long')
    },
    isLost: () => rows.isLost,
    progress: (share) => progress.show(share),
  })
  if (!read.ok) return read
  if (!rows.header) return wrongUse(noHeadings(file, rows))
  const activities = rows.finish()
  const to = join(options.into, `${name.value}.events.csv`)
  const offsetMinutes = plan.value.zone?.offsetMinutes ?? 0
  const found = { from: file, to, name: name.value, rows, activities, offsetMinutes }
  if (activities.length === 0)
    return { ok: false, code: 1, words: text({ ...found, to: undefined }).join('\n') }
  const written = await writeInto(options.into, to, eventsLines(found), options.force ?? false)
  return written.ok ? { ok: true, value: found } : written
}

const noHeadings = (file: string, { firstLine }: EventRows): string =>
  [
    `${file}: no line of headings with a start time was found. Its first line:`,
    `  ${firstLine.replace(/[^\x20-\x7e\u00a0-\uffff]/g, '?') || '(none: the file is empty)'}`,
    'Name columns with --map start=COLUMN, end=COLUMN (or minutes=COLUMN), kind=COLUMN, words=COLUMN;',
    'a start made of several columns with --time date,from, such an end with --end-time date,until.',
  ].join('\n')

interface Kind {
  readonly rows: number
  readonly minutes: number
}

function byKind(activities: readonly Activity[]): Map<string, Kind> {
  const kinds = new Map<string, Kind>()
  for (const { kind, start, end } of activities) {
    const { rows, minutes } = kinds.get(kind) ?? { rows: 0, minutes: 0 }
    kinds.set(kind, { rows: rows + 1, minutes: minutes + (end - start) / 60_000 })
  }
  return kinds
}

type Told = Omit<ImportedActivities, 'to'> & { readonly to: string | undefined }

function text({ from, to, rows, activities, offsetMinutes }: Told): string[] {
  const at = (utc: number): string => isoText(utcMillis(utc), { offsetMinutes, source: '' })
  const kinds = [...byKind(activities)].map(([kind, one]) => [kind, String(one.rows), one.minutes.toFixed(0)])
  const taken =
    activities.length > 0
      ? [
          `taken: ${activities.length} activities, ${at(activities[0].start)} to ${at(activities[activities.length - 1].end)}`,
          '',
          ...tableText([['kind', 'times', 'minutes'], ...kinds], 1),
        ]
      : []
  return [
    `${from}: ${rows.lines} lines`,
    ...taken,
    ...refusedLines(rows.refused, eventRefusals),
    '',
    to === undefined ? 'nothing was written' : `written: ${to}`,
  ]
}

function json({ from, to, name, rows, activities, offsetMinutes }: ImportedActivities): string {
  const refused = [...rows.refused].map(([reason, one]) => [
    reason,
    { lines: one.lines, first_lines: one.first, words: eventRefusals[reason] },
  ])
  return JSON.stringify(
    {
      ...{ from, written: to, name, lines: rows.counts(), standard_offset_min: offsetMinutes },
      first_start: utcText(utcMillis(activities[0].start)),
      last_start: utcText(utcMillis(activities[activities.length - 1].start)),
      kinds: Object.fromEntries(byKind(activities)),
      refused: Object.fromEntries(refused),
    },
    undefined,
    2,
  )
}
