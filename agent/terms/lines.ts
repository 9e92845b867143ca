/**
 * The lines of a store, and the one place that writes and reads their canonical text.
 *
 * A canonical text has no CRC: the file it stands in adds that (store/), and a pack carries it without (uplink/). Whoever
 * holds the same line writes the same text, to the byte. agent/store/FORMAT.md describes every cell.
 *
 * Refused: text that is not exactly what this module would write (a parse that cannot be written back is damage).
 */
import { closingCells, fixedCells, longestLine, type ColumnSet } from './columns.js'
import { parseUtc, utcText, utcTextMillis, type MonoSeconds, type UtcMillis } from './time.js'

/** Number of the line format; goes up when an older reader would misread a line. */
export const lineFormat = 1

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

/**
 * Numbers that no line has: left out by a start (they stand before the line's own number), or of lines that had to be
 * dropped (they stand behind it).
 */
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

/** What must be known of a line to carry its text about. */
export interface LineHead {
  readonly kind: Line['kind']
  readonly seq: number
  readonly boot?: string
  /** Id of a record's column set. */
  readonly set?: string
}

export type Line = RecordLine | AnchorLine | EventLine | SkipLine | OtherLine

const powers = [1, 10, 100, 1000]
/** '.0' to '.999': what stands behind the point, for one, two and three decimals. */
const fractions = powers.map((power, decimals) =>
  decimals === 0 ? [''] : Array.from({ length: power }, (_, i) => '.' + String(i).padStart(decimals, '0')),
)
const nearlyHalf = 1e-6

/**
 * Fixed decimals, no exponent, no negative zero: the text every part of the system writes for a value. The same digits as
 * `toFixed` gives, in a third of the time for usual values; where rounding is a close call, `toFixed` decides.
 */
export function numberText(value: number, decimals: number): string {
  const scaled = decimals < powers.length ? value * powers[decimals] : Infinity
  if (scaled >= 0 && scaled < 1e9) {
    const floor = Math.floor(scaled)
    const rest = scaled - floor
    if (Math.abs(rest - 0.5) > nearlyHalf) {
      const whole = rest > 0.5 ? floor + 1 : floor
      if (decimals === 0) return String(whole)
      const units = Math.floor(whole / powers[decimals])
      return units + fractions[decimals][whole - units * powers[decimals]]
    }
  }
  const text = value.toFixed(decimals)
  return text.charCodeAt(0) === 45 && Number(text) === 0 ? text.slice(1) : text
}

// ---- canonical text -------------------------------------------------------------------------------------------------

/**
 * Free text in a cell is percent-encoded as RFC 3986 does it (UTF-8, upper-case hex), but only where it must be: what
 * separates cells and pairs, '%' itself, and whatever some reader takes for a line end. All else stays readable.
 */
const unsafe = /[\p{Cc}",;=%\u2028\u2029]/gu
/** A spreadsheet takes a cell that begins so for a formula ('=' is encoded everywhere). */
const formulaStart = /^[+\-@]/
const loneSurrogate = /\p{Cs}/gu

/** Free text as it stands in a cell; half of a surrogate pair, which UTF-8 cannot carry, becomes U+FFFD. */
export function cellText(text: string): string {
  const encoded = text.replace(loneSurrogate, '\ufffd').replace(unsafe, encodeURIComponent)
  return encoded.replace(formulaStart, (c) => '%' + c.charCodeAt(0).toString(16).toUpperCase())
}

/** The text behind a cell; undefined when the encoding is broken. What is encoded without need is for the caller to refuse. */
export function readCell(cell: string): string | undefined {
  if (!cell.includes('%')) return cell
  try {
    return decodeURIComponent(cell)
  } catch {
    return undefined
  }
}

const secondsText = (by: Readonly<Record<string, number>>): string => {
  let text = ''
  for (const reason in by)
    if (by[reason] >= 0.05) text += `${text ? ';' : ''}${reason}=${numberText(by[reason], 1)}`
  return text
}

/** A detail without a name is not written: the cell would begin with '='. */
const detailsText = (details: Readonly<Record<string, string>>): string =>
  Object.entries(details)
    .filter(([key]) => key !== '')
    .map(([key, value]) => `${cellText(key)}=${cellText(value)}`)
    .join(';')

const timeText = (utc: UtcMillis | undefined): string => (utc === undefined ? '' : utcText(utc))

/** What is larger, or no number, is written as 'no value': its text would need an exponent, which no reader takes. */
const largestValue = 1e15

function recordText(line: RecordLine, set: ColumnSet): string {
  let text = `record,${line.seq},${line.set},${line.boot},${numberText(line.mono, 2)},${numberText(line.seconds, 1)},${numberText(line.planned, 1)},${timeText(line.utc)}`
  for (let i = 0; i < set.columns.length; i++) {
    const value = line.values[i]
    text += Math.abs(value) < largestValue ? ',' + numberText(value, set.columns[i].decimals) : ','
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

const seqShape = /^(0|[1-9]\d{0,14})$/
const kindShape = /^[a-z]{2,16}$/
const bootShape = /^[0-9a-f]{8}$/
const numberShape = /^-?\d+(\.\d+)?$/
const wordShape = /^[a-z][a-z0-9-]{0,31}$/
const reasonShape = /^[a-z][a-z0-9-]{0,31}(\.[a-z0-9]{1,12})?$/
/** Cells of an unknown kind: no quote, no control or line-end character, and no formula but a number below zero. */
const otherShape = /^(?!.*,[=+@])(?!.*,-(?!\d+(\.\d+)?(,|$)))[^"\p{Cc}\p{Cs}\u2028\u2029]*$/u

const readNumber = (text: string): number => (numberShape.test(text) ? Number(text) : NaN)
const readWhole = (text: string): number => (seqShape.test(text) ? Number(text) : NaN)

function readPairs(text: string): [string, string][] | undefined {
  if (text === '') return []
  const pairs: [string, string][] = []
  for (const pair of text.split(';')) {
    const at = pair.indexOf('=')
    const key = at < 1 ? undefined : readCell(pair.slice(0, at))
    const value = readCell(pair.slice(at + 1))
    if (key === undefined || value === undefined) return undefined
    pairs.push([key, value])
  }
  return pairs
}

function readSeconds(text: string): Record<string, number> | undefined {
  const pairs = readPairs(text)
  if (!pairs?.every(([reason]) => reasonShape.test(reason))) return undefined
  const read = pairs.map(([reason, seconds]) => [reason, readNumber(seconds)] as const)
  return areSeconds(read.map(([, seconds]) => seconds)) ? Object.fromEntries(read) : undefined
}

/** Seconds of any kind lie below this, 317 years: times that are reckoned from them stay times. */
export const longestSeconds = 1e10
/** A record is a minute, or what was left over when the clock was set: what lasts longer is a pause, and no record. */
export const longestRecordSeconds = 7 * 86_400

const areSeconds = (numbers: readonly number[]): boolean =>
  numbers.every((seconds) => Math.abs(seconds) < longestSeconds)

/** Boot, mono and the other seconds of a line as they must be before anything else about it is looked at. */
const placed = (boot: string, ...numbers: number[]): boolean => bootShape.test(boot) && areSeconds(numbers)

function parseRecord(cells: string[], sets: ReadonlyMap<string, ColumnSet>): RecordLine | undefined {
  const set = sets.get(cells[2])
  if (!set || cells.length !== fixedCells.length + 1 + set.columns.length + closingCells.length)
    return undefined
  const [mono, seconds, planned] = cells.slice(4, 7).map(readNumber)
  if (!placed(cells[3], mono, seconds, planned)) return undefined
  if (Math.max(seconds, planned) > longestRecordSeconds) return undefined
  const values = new Float64Array(set.columns.length)
  for (let i = 0; i < values.length; i++) values[i] = readNumber(cells[8 + i])
  const excluded = readSeconds(cells[cells.length - 2])
  const marked = readSeconds(cells[cells.length - 1])
  if (!excluded || !marked) return undefined
  const utc = cells[7] === '' ? undefined : parseUtc(cells[7])
  const fixed = { kind: 'record', seq: Number(cells[1]), set: cells[2], boot: cells[3] } as const
  return { ...fixed, mono: mono as MonoSeconds, seconds, planned, utc, values, excluded, marked }
}

function parseAnchor(cells: string[]): AnchorLine | undefined {
  if (cells.length !== 7 || !wordShape.test(cells[5])) return undefined
  const [, seq, boot, , , source] = cells
  const mono = readNumber(cells[3]) as MonoSeconds
  const utc = parseUtc(cells[4])
  const errorSeconds = readNumber(cells[6])
  if (utc === undefined || !placed(boot, mono, errorSeconds)) return undefined
  return { kind: 'anchor', seq: Number(seq), boot, mono, utc, source, errorSeconds }
}

function parseEvent(cells: string[]): EventLine | undefined {
  if (cells.length !== 7 || !wordShape.test(cells[5])) return undefined
  const [, seq, boot, , , name] = cells
  const mono = readNumber(cells[3]) as MonoSeconds
  const details = readPairs(cells[6])
  if (!details || !placed(boot, mono)) return undefined
  const utc = cells[4] === '' ? undefined : parseUtc(cells[4])
  return { kind: 'event', seq: Number(seq), boot, mono, utc, name, details: Object.fromEntries(details) }
}

function parseSkip(cells: string[]): SkipLine | undefined {
  if (cells.length !== 5) return undefined
  const [seq, from, to, damaged] = cells.slice(1).map(readWhole)
  return from <= to && (to < seq || seq < from) && damaged >= 0
    ? { kind: 'skip', seq, from, to, damaged }
    : undefined
}

function parseCells(text: string, sets: ReadonlyMap<string, ColumnSet>): Line | undefined {
  const cells = text.split(',')
  switch (cells[0]) {
    case 'record':
      return parseRecord(cells, sets)
    case 'anchor':
      return parseAnchor(cells)
    case 'event':
      return parseEvent(cells)
    case 'skip':
      return parseSkip(cells)
    default:
      return otherShape.test(text) ? { kind: 'other', seq: Number(cells[1]), text } : undefined
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
