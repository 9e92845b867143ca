import {
  good,
  parseColumnSet,
  parseLine,
  RangeSet,
  type ColumnSet,
  type Disk,
  type Line,
  type Outcome,
} from '../terms/terms.js'
import { newFile, type AppendFile } from './appender.js'
import { eachLine } from './each-line.js'
import { readGone } from './seal.js'
import { isCut, passes, readHeader, seedOf, seqOf, textOf } from './stored-line.js'
import { isOfStart } from './waiting-lines.js'

export interface DamagedLine {
  readonly offset: number
  readonly length: number
  /** The first bytes of it. */
  readonly head: Buffer
}

export interface CheckOptions {
  /** The first number of a later file: lines from there on are not believed. */
  readonly notBelow?: number
  /** Is told each whole line that is believed. */
  readonly onLine?: (line: Line) => void
  /** Known already up to its length, where a line begins: only what follows is looked at. */
  readonly known?: AppendFile
}

const headBytes = 256
const mostKept = 1000

/** What a full look at one lines file found: every line's CRC and canonical text is checked. */
export class CheckedFile {
  /** As it can be appended to. */
  readonly file: AppendFile
  /** Highest number of a line whose CRC passes, or in its skip range; 0 when there is none. */
  highest = 0
  /** The same of the lines that are believed. */
  believed = 0
  /** Numbers that have a line that is believed, or that a skip or gone line accounts for. */
  readonly accounted = new RangeSet()
  /** Damaged lines since the last start that counted them. */
  damaged = 0
  /** Damaged lines in the whole file. */
  damagedInAll = 0
  /** The first of `damaged`. */
  damagedLines: DamagedLine[] = []
  /** Bytes after the last line end. */
  tailBytes = 0
  private readonly seed: number
  private readonly notBelow: number
  private readonly onLine: (line: Line) => void

  private constructor(
    storeId: string,
    name: string,
    private readonly sets: Map<string, ColumnSet>,
    { notBelow = Infinity, onLine = () => undefined, known }: CheckOptions,
  ) {
    this.file = known ?? newFile(name)
    this.notBelow = notBelow
    this.onLine = onLine
    this.seed = seedOf(storeId, name)
  }

  static async read(
    disk: Disk,
    storeId: string,
    name: string,
    sets: Map<string, ColumnSet>,
    options: CheckOptions = {},
  ): Promise<Outcome<CheckedFile>> {
    const checked = new CheckedFile(storeId, name, sets, options)
    const from = checked.file.length
    const read = await eachLine(disk, name, from, undefined, (bytes, start, end, offset) =>
      checked.look(bytes, start, end, offset),
    )
    if (!read.ok) return read
    checked.tailBytes = read.value.tailBytes
    checked.file.length = read.value.length
    checked.file.openTail = checked.tailBytes > 0
    return good(checked)
  }

  private look(bytes: Buffer, start: number, end: number, offset: number): void {
    if (isCut(bytes, start, end)) return
    if (!passes(bytes, start, end, this.seed)) return this.setAside(bytes, start, end, offset)
    const text = textOf(bytes, start, end)
    const seq = seqOf(bytes, start, end)
    if (seq === undefined) return this.explain(text)
    this.highest = Math.max(this.highest, seq)
    const line = parseLine(text, this.sets) ?? unexplained(text, seq, this.sets)
    if (line) this.believe(line)
    else this.setAside(bytes, start, end, offset)
  }

  private believe(line: Line): void {
    this.file.lines++
    const last = line.kind === 'skip' ? Math.max(line.seq, line.to) : line.seq
    this.highest = Math.max(this.highest, last)
    if (line.kind === 'skip' && isOfStart(line)) {
      this.damaged = 0
      this.damagedLines = []
    }
    if (line.seq >= this.notBelow) return
    this.believed = Math.max(this.believed, last)
    this.accounted.add(line.seq)
    if (line.kind === 'skip') this.accounted.add(line.from, line.to)
    const gone = line.kind === 'other' ? readGone(line.text) : undefined
    if (gone) this.accounted.add(gone.from, gone.last)
    this.onLine(line)
  }

  private setAside(bytes: Buffer, start: number, end: number, offset: number): void {
    this.damaged++
    this.damagedInAll++
    if (this.damagedLines.length >= mostKept) return
    const head = Buffer.from(bytes.subarray(start, Math.min(end, start + headBytes)))
    this.damagedLines.push({ offset, length: end - start, head })
  }

  /** Header, column set, or a line of a later release that only explains: kept, nothing to do. */
  private explain(text: string): void {
    const set = parseColumnSet(text)
    if (set) {
      this.sets.set(set.id, set)
      this.file.sets.add(set.id)
    } else if (readHeader(text, this.file.name) !== undefined) this.file.header = true
  }
}

/** A whole record whose columns line is damaged: it waits for another that explains it. */
function unexplained(text: string, seq: number, sets: ReadonlyMap<string, ColumnSet>): Line | undefined {
  const [kind, , set] = text.split(',', 3)
  return kind === 'record' && isSetId(set) && !sets.has(set) ? { kind: 'other', seq, text } : undefined
}

const isSetId = (text: string): boolean => /^c[0-9a-f]{8}$/.test(text)
