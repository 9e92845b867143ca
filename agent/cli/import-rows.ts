/**
 * The rows of a foreign log, line by line: which are taken, which refused and why. Rows may come in any order and twice;
 * values are kept in flat arrays, so that a year of minutes is a few tens of megabytes.
 */
import { type StageCounts } from '../terms/terms.js'
import { cellsOf, likelyDelimiter } from './import-cells.js'
import { RefusedLines } from './import-file.js'
import type { SeriesAbout } from './import-about.js'
import { headerOf, scaleOf, type Header } from './import-header.js'
import { isPossible, type ImportPlan } from './import-plan.js'
import { wallClock } from './import-time.js'
import { unitOf, type Scale } from './import-units.js'

export const rowRefusals = {
  'too-long': 'longer than a row can be',
  'before-header': 'before the line of headings',
  blank: 'empty',
  comment: 'a remark',
  'header-again': 'the headings again',
  units: 'the line of units below the headings',
  'not-a-row': 'another number of cells than there are headings',
  'other-row': 'not of the rows that --where names',
  'no-time': 'no time that can be read',
  'never-was': 'a time that never was: the clocks went forward',
  'came-twice': 'a time that came twice: the clocks went back',
  'no-zone': 'a time without offset, and no --zone',
  'no-value': 'no value in any column asked for',
  double: 'a time that was there already, with the same values',
  'double-other': 'a time that was there already, with other values: the first stands',
  'too-many': 'more rows than can be taken at once',
} as const
export type RowRefusal = keyof typeof rowRefusals

export interface ColumnCount {
  values: number
  missing: number
  'not-a-number': number
  impossible: number
  /** '<2': below what the instrument can tell. */
  'less-than': number
  /** Line numbers of the first few cells refused. */
  readonly first: number[]
}

/** Nine years of minutes. */
const mostRows = 5_000_000
const firstFew = 5
const mostGaps = 10_000
/** Who logs prints a page of facts above the headings, not a book. */
const mostBeforeHeader = 200
/** -999 and longer ones stand for no value in many logs. */
const ninesShape = /^-9{3,6}(\.0*)?$/
const lessThan = /^[<≤]/
const commaShape = /^[+-]?\d+,\d+$/
const numberShape = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$/

export class ImportRows {
  readonly refused = new RefusedLines<RowRefusal>()
  readonly columns = new Map<string, ColumnCount>()
  header: Header | undefined
  /** First line of those before the headings: shown where no headings are found. */
  firstLine = ''
  /** As it stood in the first row whose time could not be read. */
  firstNoTime: string | undefined
  lines = 0
  outOfOrder = 0
  /** A cell such as '12,5', where a decimal point was expected. */
  sawComma = false
  private headerLine = NaN
  private delimiter: string
  private starts = new Float64Array(4096)
  private lineOf = new Uint32Array(4096)
  private values: Float64Array[] = []
  private length = 0
  /** Seconds between neighbouring rows of the log, values or none, by how often they were met. */
  private readonly gaps = new Map<number, number>()
  private lastTime = NaN
  private readonly toUtc: ((millis: number) => number | RowRefusal) | undefined

  constructor(private readonly plan: ImportPlan) {
    this.delimiter = plan.delimiter ?? ','
    this.toUtc = plan.zone && wallClock(plan.zone)
  }

  get rows(): number {
    return this.length
  }

  take(line: string): void {
    this.lines++
    const refusal = this.header ? this.row(line) : this.beforeHeader(line)
    if (refusal !== undefined) this.refuse(refusal, this.lines)
  }

  refuse(reason: RowRefusal, line: number): void {
    this.refused.refuse(reason, line, firstFew)
  }

  /** Whether the headings can no longer come. */
  get isLost(): boolean {
    return this.header === undefined && this.lines > mostBeforeHeader
  }

  private beforeHeader(line: string): RowRefusal | undefined {
    if (line.trim() === '') return 'blank'
    if (this.firstLine === '') this.firstLine = line.slice(0, 2000)
    const delimiter = this.plan.delimiter ?? likelyDelimiter(line, this.plan.decimal)
    const cells = cellsOf(line, delimiter)
    const names = this.plan.header ? cells : cells.map((_, i) => String(i + 1))
    const header = headerOf(names, line, this.plan)
    if (!header) return 'before-header'
    this.header = header
    this.headerLine = this.lines
    this.delimiter = delimiter
    this.values = header.channels.map(() => new Float64Array(this.starts.length))
    for (const { key } of header.channels)
      this.columns.set(key, {
        values: 0,
        missing: 0,
        'not-a-number': 0,
        impossible: 0,
        'less-than': 0,
        first: [],
      })
    // The headings are a line that is no row; without them this first line is one.
    return this.plan.header ? undefined : this.row(line)
  }

  private row(line: string): RowRefusal | undefined {
    const header = this.header!
    if (line.trim() === '') return 'blank'
    if (line.startsWith('#')) return 'comment'
    if (line === header.text && this.plan.header) return 'header-again'
    const cells = cellsOf(line, this.delimiter)
    if (cells.length !== header.cells && !isPadded(cells, header.cells)) return 'not-a-row'
    if (this.lines === this.headerLine + 1 && takesUnits(cells, header)) return 'units'
    if (header.where && !header.where.takes(cells)) return 'other-row'
    const start = this.timeOf(cells, header)
    if (typeof start !== 'number') return start
    this.noteGap(start)
    if (this.length >= mostRows) return 'too-many'
    return this.keep(start, cells, header)
  }

  private timeOf(cells: readonly string[], { timeAt }: Header): number | RowRefusal {
    const text = timeAt.length === 1 ? cells[timeAt[0]] : timeAt.map((at) => cells[at]).join(' ')
    const time = this.plan.readTime(text)
    if (!time) {
      this.firstNoTime ??= text
      return 'no-time'
    }
    if (time.hasOffset) return time.millis
    return this.toUtc ? this.toUtc(time.millis) : 'no-zone'
  }

  private noteGap(start: number): void {
    const gap = Math.round(Math.abs(start - this.lastTime) / 1000)
    this.lastTime = start
    if (gap >= 1 && (this.gaps.has(gap) || this.gaps.size < mostGaps))
      this.gaps.set(gap, (this.gaps.get(gap) ?? 0) + 1)
  }

  /** The gap between neighbours that was met most often; of equally frequent ones the shortest. */
  usualGapSeconds(): number | undefined {
    const [most] = [...this.gaps].sort(([gapA, a], [gapB, b]) => b - a || gapA - gapB)
    return most?.[0]
  }

  private keep(start: number, cells: readonly string[], { channels }: Header): RowRefusal | undefined {
    if (this.length === this.starts.length) this.grow()
    let any = false
    for (let i = 0; i < channels.length; i++) {
      const value = this.cellValue(cells[channels[i].at], channels[i].key, channels[i].scale)
      this.values[i][this.length] = value
      any ||= !Number.isNaN(value)
    }
    if (!any) return 'no-value'
    if (this.length > 0 && start < this.starts[this.length - 1]) this.outOfOrder++
    this.starts[this.length] = start
    this.lineOf[this.length] = this.lines
    this.length++
    return undefined
  }

  private cellValue(cell: string, key: string, scale: Scale | undefined): number {
    const count = this.columns.get(key)!
    const given = this.plan.decimal === 'comma' ? cell.replace(',', '.') : cell
    if (this.isMissing(cell) || (given !== cell && this.isMissing(given))) {
      count.missing++
      return NaN
    }
    const number = numberShape.test(given) ? Number(given) : NaN
    // Twelve digits: a factor of 1000 must not turn 0.0123 into 12.299999999999999.
    const value = scale ? Number((number * scale.factor + scale.addend).toPrecision(12)) : number
    if (isPossible(key, value)) {
      count.values++
      return value
    }
    count[Number.isNaN(value) ? (lessThan.test(cell) ? 'less-than' : 'not-a-number') : 'impossible']++
    if (commaShape.test(cell)) this.sawComma = true
    if (count.first.length < firstFew) count.first.push(this.lines)
    return NaN
  }

  private isMissing(cell: string): boolean {
    return cell === '' || this.plan.missing.has(cell.toLowerCase()) || ninesShape.test(cell)
  }

  private grow(): void {
    const twice = <T extends Float64Array | Uint32Array>(from: T, to: T): T => (to.set(from), to)
    const size = this.starts.length * 2
    this.starts = twice(this.starts, new Float64Array(size))
    this.lineOf = twice(this.lineOf, new Uint32Array(size))
    this.values = this.values.map((column) => twice(column, new Float64Array(size)))
  }

  /** In order of time, each once. Doubles are counted here. */
  finish(): ImportedRows {
    const order = Uint32Array.from({ length: this.length }, (_, i) => i)
    if (this.outOfOrder > 0) order.sort((a, b) => this.starts[a] - this.starts[b] || a - b)
    const kept: number[] = []
    for (const i of order) {
      const last = kept[kept.length - 1]
      if (last === undefined || this.starts[last] !== this.starts[i]) kept.push(i)
      else this.refuse(this.isSame(last, i) ? 'double' : 'double-other', this.lineOf[i])
    }
    const keys = this.header?.channels.map(({ key }) => key) ?? []
    return {
      keys,
      abouts: keys.map(this.plan.about),
      starts: Float64Array.from(kept, (i) => this.starts[i]),
      values: this.values.map((column) => Float64Array.from(kept, (i) => column[i])),
    }
  }

  private isSame(a: number, b: number): boolean {
    return this.values.every((column) => Object.is(column[a], column[b]))
  }

  /** Lines that are no headings: taken = given + refused. */
  counts(given: number): StageCounts {
    const refused = this.refused.byReason()
    return { taken: this.lines - (this.header && this.plan.header ? 1 : 0), given, held: 0, refused }
  }
}

export interface ImportedRows {
  readonly keys: readonly string[]
  /** By channel. */
  readonly abouts: readonly SeriesAbout[]
  /** UTC, milliseconds; as the log labels its rows. */
  readonly starts: Float64Array
  /** By channel; NaN where a cell gave none. */
  readonly values: readonly Float64Array[]
}

/** Cells beyond the headings hold nothing. */
const isPadded = (cells: readonly string[], headings: number): boolean =>
  cells.length > headings && cells.slice(headings).every((cell) => cell === '')

/** A line of units under the headings: no time, and what stands under a channel is a unit. What was typed stands above it. */
function takesUnits(cells: readonly string[], { timeAt, channels }: Header): boolean {
  if (timeAt.some((at) => /\d/.test(cells[at]))) return false
  const units = channels.map(({ at, key }) => unitOf(cells[at], key))
  if (units.every((unit) => unit === undefined)) return false
  channels.forEach((channel, i) => {
    if (channel.scale || !units[i]) return
    channel.named = units[i]
    channel.scale = scaleOf(units[i])
  })
  return true
}
