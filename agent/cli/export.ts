import { addUtcSeconds } from '../terms/terms.js'
import { channelsIn, findAverages, type AveragesFound } from './averages.js'
import {
  asProblem,
  openOneStore,
  refuse,
  whereToLook,
  wrongUse,
  type DeskOptions,
  type Opened,
} from './desk.js'
import {
  eachRecord,
  nameOf,
  unplacedText,
  UnplacedCount,
  type DeskRecord,
  type Unplaced,
} from './desk-records.js'
import { survey, type Survey } from './desk-survey.js'
import { readSpan, zoneFor, type DeskZone, type Span } from './desk-zone.js'
import {
  csvRow,
  dayCells,
  daysHeading,
  hourCells,
  hoursHeading,
  MinuteRows,
  type Cell,
  type Decimal,
} from './export-csv.js'
import { dictionaryFile, exportHandOver } from './export-hand-over.js'
import { SenmlText } from './export-senml.js'
import type { LimitOptions } from './limits-chosen.js'
import { Progress } from './progress.js'
import { Sink } from './sink.js'

export interface ExportOptions extends DeskOptions, Pick<LimitOptions, 'correction'> {
  readonly of?: string
  readonly format?: string
  readonly decimal?: string
  readonly bom?: boolean
  readonly out?: string
  readonly force?: boolean
  readonly channel?: readonly string[]
  readonly from?: string
  readonly to?: string
  readonly zone?: string
}

/** What was written. */
interface Exported {
  readonly rows: number
  readonly of: string
  readonly unplaced: readonly Unplaced[]
  readonly damaged: number
}

const kinds = ['minutes', 'hours', 'days', 'hand-over'] as const
const formats = ['csv', 'senml'] as const
const decimals = ['point', 'comma'] as const

/** Records, hours or days as CSV or SenML. @returns exit code: 0 written, 1 it could not be, 2 wrong use */
export async function exportData(options: ExportOptions): Promise<number> {
  const wrong =
    unknownWord('--of', options.of, kinds) ??
    unknownWord('--format', options.format, formats) ??
    unknownWord('--decimal', options.decimal, decimals) ??
    onlyOfCsv(options)
  if (wrong) return refuse(wrong)
  if (options.correction && options.of !== 'hand-over')
    return refuse(wrongUse('--correction is for --of hand-over: the other exports are uncorrected'))
  const exported = await workOf(options)(options)
  if (!exported.ok) return refuse(exported)
  tell(options, exported.value)
  return 0
}

function workOf({ of }: ExportOptions): (options: ExportOptions) => Promise<Opened<Exported>> {
  if (of === 'hand-over') return handOver
  return of === undefined || of === 'minutes' ? exportMinutes : exportFigures
}

async function handOver(options: ExportOptions): Promise<Opened<Exported>> {
  const written = await exportHandOver(options)
  if (!written.ok) return written
  const { rows, found } = written.value
  const { gathered, survey: surveyed } = found
  return {
    ok: true,
    value: { rows, of: 'hand-over hours', unplaced: gathered.unplaced, damaged: surveyed.damaged },
  }
}

function unknownWord(option: string, word: string | undefined, allowed: readonly string[]) {
  if (word === undefined || allowed.includes(word)) return undefined
  return wrongUse(`${option} ${word}: expected ${allowed.join(', ')}`)
}

function onlyOfCsv({ format, decimal, bom }: ExportOptions) {
  const idle =
    format !== 'senml' ? undefined : decimal === 'comma' ? '--decimal comma' : bom ? '--bom' : undefined
  return idle === undefined
    ? undefined
    : wrongUse(`${idle} is for CSV: SenML has one form of numbers and texts`)
}

const decimalOf = ({ decimal = 'point' }: ExportOptions): Decimal => decimal as Decimal
const utf8Mark = '\ufeff'

// ---- minutes --------------------------------------------------------------------------------------------------------

/** Minutes go through one by one: a year of them is never in memory. */
async function exportMinutes(options: ExportOptions): Promise<Opened<Exported>> {
  const where = await whereToLook(options)
  if (!where.ok) return where
  const store = await openOneStore(where.value.folder, options.storeId)
  if (!store.ok) return store
  const surveyed = await survey(store.value)
  if (!surveyed.ok) return asProblem(surveyed.fault)
  const zone = zoneFor(options.zone, where.value.settings, surveyed.value.settingsLine)
  if (!zone.ok) return zone
  const span = readSpan(options.from, options.to, zone.value)
  if (!span.ok) return span
  const channels = minuteChannels(options.channel, surveyed.value)
  if (!channels.ok) return channels
  const sink = await Sink.open(options.out, options.force ?? false)
  if (!sink.ok) return sink
  const form = minuteForm(options, store.value.station, surveyed.value, channels.value, zone.value)
  const counted = { rows: 0, unplaced: new UnplacedCount() }
  sink.value.write(form.head)
  const visit = (record: DeskRecord): void => {
    if (record.utc === undefined) counted.unplaced.add(record)
    if (!isWanted(record, span.value, options)) return
    const text = form.row(record)
    if (text !== '') counted.rows++
    sink.value.write(text)
  }
  const progress = new Progress('writing minutes')
  const read = await eachRecord(store.value, surveyed.value, visit, async (share) => {
    if (options.out !== undefined) progress.show(share)
    await sink.value.drained()
  })
  sink.value.write(form.end())
  const failed = await sink.value.end()
  if (!read.ok) return asProblem(read.fault)
  if (failed !== undefined) return { ok: false, code: 1, words: `not written to its end: ${failed}` }
  const { rows, unplaced } = counted
  return {
    ok: true,
    value: { rows, of: 'minutes', unplaced: unplaced.list(), damaged: surveyed.value.damaged },
  }
}

interface MinuteForm {
  readonly head: string
  row(record: DeskRecord): string
  end(): string
}

function minuteForm(
  options: ExportOptions,
  station: string,
  surveyed: Survey,
  channels: readonly string[],
  zone: DeskZone,
): MinuteForm {
  if (options.format === 'senml') {
    const senml = new SenmlText(station)
    const wanted = new Set(channels)
    return { head: '', row: (record) => senml.record(record, wanted), end: () => senml.end() }
  }
  const rows = new MinuteRows(surveyed, channels, zone)
  const decimal = decimalOf(options)
  return {
    head: (options.bom ? utf8Mark : '') + csvRow(rows.heading(), decimal),
    row: (record) => csvRow(rows.row(record), decimal),
    end: () => '',
  }
}

function minuteChannels(typed: readonly string[] | undefined, { sets }: Survey): Opened<string[]> {
  const all = channelsIn(sets)
  const wanted = typed?.flatMap((text) => text.split(','))
  if (!wanted || wanted.includes('all')) return { ok: true, value: all }
  const isOne = (channel: string, word: string): boolean => channel === word || nameOf(channel) === word
  const unknown = wanted.find((word) => !all.some((channel) => isOne(channel, word)))
  if (unknown !== undefined)
    return wrongUse(`--channel ${unknown}: this store has ${all.join(', ') || 'no records yet'}`)
  return { ok: true, value: all.filter((channel) => wanted.some((word) => isOne(channel, word))) }
}

/** A record whose time nobody knows is in an export of everything, with empty times, and in no span. */
function isWanted({ utc, seconds }: DeskRecord, { from, to }: Span, options: ExportOptions): boolean {
  if (utc === undefined) return options.from === undefined && options.to === undefined
  return utc < to && addUtcSeconds(utc, seconds) > from
}

// ---- hours and days -------------------------------------------------------------------------------------------------

async function exportFigures(options: ExportOptions): Promise<Opened<Exported>> {
  const found = await findAverages({ ...options, everything: true })
  if (!found.ok) return found
  const sink = await Sink.open(options.out, options.force ?? false)
  if (!sink.ok) return sink
  let rows = -1
  for (const text of figureTexts(options, found.value)) {
    sink.value.write(text)
    rows++
    await sink.value.drained()
  }
  const failed = await sink.value.end()
  if (failed !== undefined) return { ok: false, code: 1, words: `not written to its end: ${failed}` }
  const { gathered, survey } = found.value
  return {
    ok: true,
    value: { rows, of: options.of!, unplaced: gathered.unplaced, damaged: survey.damaged },
  }
}

/** One text more than there are rows: the heading, or the end. */
function* figureTexts(options: ExportOptions, found: AveragesFound): Generator<string> {
  const ofHours = options.of === 'hours'
  if (options.format === 'senml') {
    const senml = new SenmlText(found.station)
    yield* ofHours ? senml.hours(found) : senml.days(found)
    return yield senml.end()
  }
  const decimal = decimalOf(options)
  const heading: readonly Cell[] = ofHours ? hoursHeading : daysHeading
  yield (options.bom ? utf8Mark : '') + csvRow(heading, decimal)
  for (const cells of ofHours ? hourCells(found) : dayCells(found)) yield csvRow(cells, decimal)
}

// ---- telling --------------------------------------------------------------------------------------------------------

/** Beside a file, on standard output; where that is the export itself, only what must be known, on standard error. */
function tell(options: ExportOptions, { rows, of, unplaced, damaged }: Exported): void {
  const say = options.out === undefined ? process.stderr : process.stdout
  if (options.json) {
    const records = unplaced.reduce((sum, one) => sum + one.records, 0)
    say.write(
      JSON.stringify({
        v: 1,
        of,
        rows,
        file: options.out ?? null,
        records_without_time: records,
        damaged_lines: damaged,
      }) + '\n',
    )
    return
  }
  if (options.out !== undefined) say.write(`${rows} ${of} in ${options.out}\n`)
  if (options.out !== undefined && options.of === 'hand-over')
    say.write(`what its columns mean: ${dictionaryFile(options.out)}\n`)
  for (const one of unplaced) say.write(`${unplacedText(one)}\n`)
  if (damaged > 0) say.write(`${damaged} damaged lines were passed over; motepost verify names them\n`)
}
