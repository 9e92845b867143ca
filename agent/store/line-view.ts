import {
  asTime,
  longestRecordSeconds,
  longestSeconds,
  parseLine,
  type ColumnSet,
  type Line,
  type UtcMillis,
} from '../terms/terms.js'
import { beginsWith, crcBytes, textOf } from './stored-line.js'

const comma = 44
const minus = 45
const point = 46
const recordWord = Buffer.from('record,')
const mostCells = 4096
/** '2026-03-01' */
const dateBytes = 10

/** Powers of ten that a double holds exactly. */
const tens = Float64Array.from({ length: 20 }, (_, i) => 10 ** i)

/**
 * One line of a scan, read cell by cell from its bytes only as far as somebody asks. The same view is given for every line:
 * keep what you need, not the view.
 */
export class LineView {
  seq = 0
  isRecord = false
  private bytes: Buffer = Buffer.alloc(0)
  private start = 0
  private end = 0
  /** Where each cell begins, as far as somebody asked; one more behind the last. */
  private readonly cells = new Int32Array(mostCells + 1)
  private cellCount = 0
  private newestSet: ColumnSet | undefined
  private newestBoot = ''
  /** Bytes of the cells that named both, with their commas, and how many of them are of the columns. */
  private newestHead: Uint8Array = new Uint8Array(0)
  private columnsBytes = 0
  private hasHead = false
  /** The date that the newest time began with, as its bytes, and the midnight it stands for. */
  private readonly newestDate = new Uint8Array(dateBytes)
  private newestMidnight = NaN

  constructor(private readonly sets: ReadonlyMap<string, ColumnSet>) {}

  /** Shows the line at bytes[start, end), its CRC included. */
  show(bytes: Buffer, start: number, end: number, seq: number): void {
    this.bytes = bytes
    this.start = start
    this.end = end
    this.seq = seq
    this.isRecord = beginsWith(bytes, start, end, recordWord)
    this.cellCount = 0
    this.cells[0] = start
    this.hasHead = false
  }

  /** The whole line, checked to be canonical; undefined when it is not. */
  line(): Line | undefined {
    return parseLine(this.text(), this.sets)
  }

  text(): string {
    return textOf(this.bytes, this.start, this.end)
  }

  /** The columns of a record; undefined where its columns line is damaged. */
  columnSet(): ColumnSet | undefined {
    this.readHead()
    return this.newestSet
  }

  /** First eight hex digits of a record's boot id. */
  boot(): string {
    this.readHead()
    return this.newestBoot
  }

  /** Nearly every record has the columns, and the boot, of the one before: no text is made to find that out. */
  private readHead(): void {
    if (this.hasHead || this.isHeadOfBefore()) return
    this.hasHead = true
    const isWhole = this.splitTo(3)
    this.newestBoot = this.cell(3)
    this.newestSet = this.sets.get(this.cell(2))
    const { cells } = this
    this.newestHead = isWhole ? Uint8Array.from(this.bytes.subarray(cells[2], cells[4])) : new Uint8Array(0)
    this.columnsBytes = cells[3] - cells[2]
  }

  private isHeadOfBefore(): boolean {
    const { bytes, cells, newestHead } = this
    if (!this.newestSet || newestHead.length === 0 || !this.splitTo(1)) return false
    const at = cells[2]
    for (let i = 0; i < newestHead.length; i++) if (bytes[at + i] !== newestHead[i]) return false
    if (this.cellCount < 4) {
      cells[3] = at + this.columnsBytes
      cells[4] = at + newestHead.length
      this.cellCount = 4
    }
    return (this.hasHead = true)
  }

  /** Start of a record, s since boot; NaN where it is none that a line may have. */
  mono(): number {
    return below(longestSeconds, this.number(4))
  }

  /** Length of a record, s. */
  seconds(): number {
    return below(longestRecordSeconds, this.number(5))
  }

  planned(): number {
    return below(longestRecordSeconds, this.number(6))
  }

  /** Start of a record as its trusted clock gave it. */
  utc(): UtcMillis | undefined {
    if (!this.splitTo(7)) return undefined
    const at = this.cells[7]
    if (this.cells[8] - at !== 21) return undefined
    const { bytes } = this
    const hours = twoDigits(bytes, at + 11)
    const minutes = twoDigits(bytes, at + 14)
    return asTime(this.midnight(at) + ((hours * 60 + minutes) * 60 + twoDigits(bytes, at + 17)) * 1000)
  }

  private midnight(at: number): number {
    const { bytes, newestDate } = this
    let same = 0
    while (same < dateBytes && bytes[at + same] === newestDate[same]) same++
    if (same === dateBytes) return this.newestMidnight
    for (let i = 0; i < dateBytes; i++) newestDate[i] = bytes[at + i]
    const year = twoDigits(bytes, at) * 100 + twoDigits(bytes, at + 2)
    this.newestMidnight = Date.UTC(year, twoDigits(bytes, at + 5) - 1, twoDigits(bytes, at + 8))
    return this.newestMidnight
  }

  /** Value of a record's column; NaN where there is none. */
  value(column: number): number {
    return this.number(8 + column)
  }

  /** Seconds by reason as they stand: 'warm-up.1=3.0;no-data.1=2.0'. */
  excluded(): string {
    this.splitTo(mostCells)
    return this.cell(this.cellCount - 2)
  }

  marked(): string {
    // It is the last: empty where a comma stands before the CRC's.
    if (this.bytes[this.end - crcBytes - 1] === comma) return ''
    this.splitTo(mostCells)
    return this.cell(this.cellCount - 1)
  }

  private cell(index: number): string {
    if (!this.splitTo(index)) return ''
    return this.bytes.toString('latin1', this.cells[index], this.cells[index + 1] - 1)
  }

  /** Finds where cells begin, up to the one behind `index`; false when there are not so many. */
  private splitTo(index: number): boolean {
    const { bytes, cells } = this
    const end = this.end - crcBytes
    let at = this.cells[this.cellCount]
    while (this.cellCount <= index && at <= end && this.cellCount < mostCells) {
      while (at < end && bytes[at] !== comma) at++
      cells[++this.cellCount] = ++at
    }
    return index < this.cellCount
  }

  /**
   * Digits and point only, so digits divided by a power of ten is the nearest double, as Number(text) gives it. The cell's end
   * is found on the way.
   */
  private number(index: number): number {
    if (index >= mostCells || (index > this.cellCount && !this.splitTo(index - 1))) return NaN
    const { bytes, cells } = this
    const end = this.end - crcBytes
    let at = cells[index]
    const negative = bytes[at] === minus
    if (negative) at++
    const first = at
    let digits = 0
    let pointAt = -1
    for (; at < end && bytes[at] !== comma; at++) {
      if (bytes[at] === point) pointAt = at
      else digits = digits * 10 + bytes[at] - 48
    }
    if (at <= first) return NaN
    if (index === this.cellCount) cells[++this.cellCount] = at + 1
    if (at - first > 15) return Number(this.cell(index))
    const value = pointAt < 0 ? digits : digits / tens[at - 1 - pointAt]
    return negative ? -value : value
  }
}

/** What a CRC vouches for may still be no number of ours: the CRC of a folder is no secret. */
const below = (most: number, value: number): number => (Math.abs(value) <= most ? value : NaN)

const twoDigits = (bytes: Buffer, at: number): number => (bytes[at] - 48) * 10 + bytes[at + 1] - 48
