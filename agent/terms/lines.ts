/**
 * The lines of a store, and the one place that writes and reads their canonical text.
 *
 * A canonical text has no CRC: the file it stands in adds that (store/), and a pack carries it without (uplink/). Whoever
 * holds the same line writes the same text, to the byte. agent/store/FORMAT.md describes every cell.
 *
 * Refused: text that is not exactly what this module would write (a parse that cannot be written back is damage).
 */
import { createHash } from 'node:crypto'
import type { Basis, Scaling, Statistic } from './channels.js'
import { parseUtc, utcText, utcTextMillis, type MonoSeconds, type UtcMillis } from './time.js'

/** Number of the line format; goes up when an older reader would misread a line. */
export const lineFormat = 1

export interface Column {
  /** Channel with slot, e.g. 'pm2_5.1'. */
  readonly channel: string
  readonly statistic: Statistic
  readonly unit: string
  readonly decimals: number
  readonly scaling?: Scaling
  readonly basis: Basis
}

/** What the value cells of a record mean. Its id is derived from its text, so equal sets have equal ids. */
export interface ColumnSet {
  readonly id: string
  readonly columns: readonly Column[]
}

export interface RecordLine {
  readonly kind: 'record'
  readonly seq: number
  readonly set: string
  /** First eight hex digits of the boot id. */
  readonly boot: string
  /** Start of the minute. */
  readonly mono: MonoSeconds
  /** Length; 60 but where the clock became trusted or stepped, or the agent started or stopped. */
  readonly seconds: number
  /** Seconds in which the sampling plan had the sensor running. */
  readonly planned: number
  /** Start as the trusted clock gave it; absent while the clock was not trusted. */
  readonly utc?: UtcMillis
  /** In the order of the column set; NaN where there is no value. */
  readonly values: ArrayLike<number>
  /** Seconds by reason, reason with slot where the instrument has one: 'warm-up.1'. */
  readonly excluded: Readonly<Record<string, number>>
  readonly marked: Readonly<Record<string, number>>
}

export interface AnchorLine {
  readonly kind: 'anchor'
  readonly seq: number
  readonly boot: string
  readonly mono: MonoSeconds
  readonly utc: UtcMillis
  readonly source: string
  readonly errorSeconds: number
}

export interface EventLine {
  readonly kind: 'event'
  readonly seq: number
  readonly boot: string
  readonly mono: MonoSeconds
  readonly utc?: UtcMillis
  /** 'alert', 'started', 'stopped', 'settings' … */
  readonly name: string
  readonly details: Readonly<Record<string, string>>
}

/** Numbers that were never given to a line: after a start that followed an unclean end. */
export interface SkipLine {
  readonly kind: 'skip'
  readonly seq: number
  readonly from: number
  readonly to: number
  /** Damaged lines set aside at that start. */
  readonly damaged: number
}

/** A line of a kind this release does not know: kept, carried, not interpreted. */
export interface OtherLine {
  readonly kind: 'other'
  readonly seq: number
  readonly text: string
}

export type Line = RecordLine | AnchorLine | EventLine | SkipLine | OtherLine

/** Fixed decimals, no exponent, no negative zero: the text every part of the system writes for a value. */
export function numberText(value: number, decimals: number): string {
  const text = value.toFixed(decimals)
  return text.charCodeAt(0) === 45 && Number(text) === 0 ? text.slice(1) : text
}

// ---- column sets ----------------------------------------------------------------------------------------------------

const columnText = (c: Column): string =>
  `${c.channel}:${c.statistic} ${c.unit} ${c.decimals}${c.scaling ? ' ' + c.scaling : ''}${c.basis === 'inferred' ? ' inferred' : ''}`

export function columnSet(columns: readonly Column[]): ColumnSet {
  const id = createHash('sha256').update(columns.map(columnText).join(',')).digest('hex').slice(0, 8)
  return { id: 'c' + id, columns }
}

export const fixedCells = ['seq', 'set', 'boot', 'mono s', 'seconds', 'planned s', 'utc'] as const
export const closingCells = ['excluded s', 'marked s'] as const

/** `columns,,<set>,…`: aligned with the records below it, so that a spreadsheet shows a heading. Has no number. */
export function columnSetText(set: ColumnSet): string {
  return [
    'columns',
    '',
    set.id,
    ...fixedCells.slice(2),
    ...set.columns.map(columnText),
    ...closingCells,
  ].join(',')
}

const columnShape =
  /^([a-z0-9_]+(?:\.[a-z0-9]+)?):(mean|used|max|min|sd|all) (\S+) ([0-6])( atmospheric| standard-particle)?( inferred)?$/

export function parseColumnSet(text: string): ColumnSet | undefined {
  const cells = text.split(',')
  if (cells[0] !== 'columns' || cells.length < fixedCells.length + 1 + closingCells.length) return undefined
  const columns: Column[] = []
  for (const cell of cells.slice(fixedCells.length + 1, -closingCells.length)) {
    const m = columnShape.exec(cell)
    if (!m) return undefined
    columns.push({
      channel: m[1],
      statistic: m[2] as Statistic,
      unit: m[3],
      decimals: Number(m[4]),
      ...(m[5] ? { scaling: m[5].trim() as Scaling } : {}),
      basis: m[6] ? 'inferred' : 'measured',
    })
  }
  const set = columnSet(columns)
  return columnSetText(set) === text ? set : undefined
}

// ---- canonical text -------------------------------------------------------------------------------------------------

/** Cell text can hold no comma, quote, line end, ';', '=' or '%' of its own: they are percent-encoded. */
// eslint-disable-next-line no-control-regex
const unsafe = /[\u0000-\u001f\u007f",;=%\u2028\u2029]/g
const safeText = (text: string): string =>
  text.replace(unsafe, (c) => '%' + c.charCodeAt(0).toString(16).toUpperCase().padStart(2, '0'))
const plainText = (text: string): string =>
  text.replace(/%([0-9A-F]{2,4})/g, (_, hex: string) => String.fromCharCode(parseInt(hex, 16)))

const secondsText = (by: Readonly<Record<string, number>>): string => {
  let text = ''
  for (const reason in by)
    if (by[reason] >= 0.05) text += `${text ? ';' : ''}${reason}=${numberText(by[reason], 1)}`
  return text
}

const detailsText = (details: Readonly<Record<string, string>>): string =>
  Object.entries(details)
    .map(([key, value]) => `${key}=${safeText(value)}`)
    .join(';')

const timeText = (utc: UtcMillis | undefined): string => (utc === undefined ? '' : utcText(utc))

function recordText(line: RecordLine, set: ColumnSet): string {
  let text = `record,${line.seq},${line.set},${line.boot},${numberText(line.mono, 2)},${numberText(line.seconds, 1)},${numberText(line.planned, 1)},${timeText(line.utc)}`
  for (let i = 0; i < set.columns.length; i++) {
    const value = line.values[i]
    text += value === value ? ',' + numberText(value, set.columns[i].decimals) : ','
  }
  return `${text},${secondsText(line.excluded)},${secondsText(line.marked)}`
}

/**
 * The canonical text of a line, without CRC and line end.
 * @param set the column set of a record; it must be the one the record names.
 */
export function canonicalLine(line: Line, set?: ColumnSet): string {
  switch (line.kind) {
    case 'record':
      if (set?.id !== line.set) throw new Error(`record ${line.seq} needs column set ${line.set}`)
      return recordText(line, set)
    case 'anchor':
      return `anchor,${line.seq},${line.boot},${numberText(line.mono, 2)},${utcTextMillis(line.utc)},${line.source},${numberText(line.errorSeconds, 3)}`
    case 'event':
      return `event,${line.seq},${line.boot},${numberText(line.mono, 2)},${timeText(line.utc)},${line.name},${detailsText(line.details)}`
    case 'skip':
      return `skip,${line.seq},${line.from},${line.to},${line.damaged}`
    case 'other':
      return line.text
  }
}

/** Longest canonical text that is believed, in characters. */
export const longestLine = 8192

const seqShape = /^(0|[1-9]\d{0,14})$/
const kindShape = /^[a-z]{2,16}$/
const bootShape = /^[0-9a-f]{8}$/
const numberShape = /^-?\d+(\.\d+)?$/
const wordShape = /^[a-z][a-z0-9-]{0,31}$/

const readNumber = (text: string): number => (numberShape.test(text) ? Number(text) : NaN)

function readPairs(text: string): Record<string, string> | undefined {
  const pairs: Record<string, string> = {}
  if (text === '') return pairs
  for (const pair of text.split(';')) {
    const at = pair.indexOf('=')
    if (at < 1) return undefined
    pairs[pair.slice(0, at)] = plainText(pair.slice(at + 1))
  }
  return pairs
}

function readSeconds(text: string): Record<string, number> | undefined {
  const pairs = readPairs(text)
  if (!pairs) return undefined
  return Object.fromEntries(Object.entries(pairs).map(([reason, seconds]) => [reason, readNumber(seconds)]))
}

function parseRecord(cells: string[], sets: ReadonlyMap<string, ColumnSet>): RecordLine | undefined {
  const set = sets.get(cells[2])
  if (!set || cells.length !== fixedCells.length + 1 + set.columns.length + closingCells.length)
    return undefined
  const values = new Float64Array(set.columns.length)
  for (let i = 0; i < values.length; i++) values[i] = readNumber(cells[8 + i])
  const excluded = readSeconds(cells[cells.length - 2])
  const marked = readSeconds(cells[cells.length - 1])
  if (!excluded || !marked || !bootShape.test(cells[3])) return undefined
  const utc = cells[7] === '' ? undefined : parseUtc(cells[7])
  return {
    kind: 'record',
    seq: Number(cells[1]),
    set: cells[2],
    boot: cells[3],
    mono: readNumber(cells[4]) as MonoSeconds,
    seconds: readNumber(cells[5]),
    planned: readNumber(cells[6]),
    utc,
    values,
    excluded,
    marked,
  }
}

function parseCells(text: string, sets: ReadonlyMap<string, ColumnSet>): Line | undefined {
  const cells = text.split(',')
  const seq = Number(cells[1])
  const mono = (at: number): MonoSeconds => readNumber(cells[at]) as MonoSeconds
  switch (cells[0]) {
    case 'record':
      return parseRecord(cells, sets)
    case 'anchor': {
      const utc = parseUtc(cells[4] ?? '')
      if (cells.length !== 7 || utc === undefined || !bootShape.test(cells[2]) || !wordShape.test(cells[5]))
        return undefined
      return {
        kind: 'anchor',
        seq,
        boot: cells[2],
        mono: mono(3),
        utc,
        source: cells[5],
        errorSeconds: readNumber(cells[6]),
      }
    }
    case 'event': {
      const details = readPairs(cells[6] ?? '')
      if (cells.length !== 7 || !details || !bootShape.test(cells[2]) || !wordShape.test(cells[5]))
        return undefined
      const utc = cells[4] === '' ? undefined : parseUtc(cells[4])
      return { kind: 'event', seq, boot: cells[2], mono: mono(3), utc, name: cells[5], details }
    }
    case 'skip':
      if (cells.length !== 5) return undefined
      return {
        kind: 'skip',
        seq,
        from: readNumber(cells[2]),
        to: readNumber(cells[3]),
        damaged: readNumber(cells[4]),
      }
    default:
      return { kind: 'other', seq, text }
  }
}

/**
 * Reads a canonical text; undefined when it is not exactly what `canonicalLine` would write for what it says.
 * A record whose column set is not in `sets` is undefined too.
 */
export function parseLine(text: string, sets: ReadonlyMap<string, ColumnSet>): Line | undefined {
  if (text.length > longestLine) return undefined
  const first = text.indexOf(',')
  const second = text.indexOf(',', first + 1)
  if (first < 0 || !kindShape.test(text.slice(0, first))) return undefined
  if (!seqShape.test(text.slice(first + 1, second < 0 ? undefined : second))) return undefined
  const line = parseCells(text, sets)
  if (!line) return undefined
  return canonicalLine(line, line.kind === 'record' ? sets.get(line.set) : undefined) === text
    ? line
    : undefined
}
