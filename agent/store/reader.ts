/** Reads the lines of a store or archive; rules 4 to 8 of FORMAT.md. Writes nothing. */
import {
  done,
  good,
  parseColumnSet,
  parseLine,
  type ColumnSet,
  type Disk,
  type Line,
  type Outcome,
} from '../terms/terms.js'
import { eachLine } from './each-line.js'
import { LineView } from './line-view.js'
import { beginsWith, isCut, passes, seedOf, seqOf, textOf } from './stored-line.js'

export interface StoredLine {
  readonly line: Line
  /** Its canonical text. */
  readonly text: string
}

/** A lines file as a reader may look at it. */
export interface ReadableFile {
  readonly name: string
  /** Only lines from `first` to `last` of it are believed. */
  readonly first: number
  readonly last: number
  /** Numbers rise through the file: a station's own. Else lines are sorted and doubles removed. */
  readonly inOrder: boolean
  /** What may be read of it; all when absent. */
  readonly length?: number
  /** Places in the file where known numbers begin, rising. */
  readonly marks?: readonly { readonly seq: number; readonly offset: number }[]
}

export interface ScanOptions {
  readonly from?: number
  readonly to?: number
  /** Only lines of this kind. */
  readonly kind?: string
  /** What an earlier scan of this reader found sound: those bytes are not checked again. */
  readonly sound?: SoundFiles
}

/** Files in which an earlier scan found nothing but lines whose CRC passes, and how many bytes of them it saw. */
export type SoundFiles = Pick<ReadonlyMap<string, number>, 'get'>

/** What a scan went through. */
export interface Scanned {
  /** Lines given to the visitor. */
  lines: number
  /** Lines whose CRC did not pass. */
  damaged: number
  /** Lines left half written by a power cut. */
  cut: number
  /** Files of a scan of everything; see `ScanOptions.sound`. */
  sound: Map<string, number>
}

const columnsWord = Buffer.from('columns,,')
const comma = 44

/** Column sets are named by their content; more than so many different ones is not a store of ours. */
export const mostSets = 1000

type Taken = (bytes: Buffer, start: number, end: number, seq: number) => boolean | void

/** What one pass looks for. */
interface Search {
  readonly from: number
  readonly to: number
  readonly taken: Taken
  /** Counts what did not pass; then every line is checked, wanted or not. */
  readonly scanned?: Scanned
  /** The kind with its comma. */
  readonly kind?: Buffer
  readonly sound?: SoundFiles
}

export class StoreReader {
  private learnedAll = false

  constructor(
    private readonly disk: Disk,
    private readonly storeId: string,
    private readonly files: () => readonly ReadableFile[],
    private readonly sets = new Map<string, ColumnSet>(),
  ) {}

  /** Known once a record of the set was read. */
  columnSet(id: string): ColumnSet | undefined {
    return this.sets.get(id)
  }

  /** The lines whose numbers are within from and to, in order. All of them are held in memory. */
  async lines(from: number, to: number): Promise<Outcome<StoredLine[]>> {
    const found: StoredLine[] = []
    for (const group of this.groups(from, to)) {
      const read = await this.linesOf(group, from, to)
      if (!read.ok) return read
      for (const line of read.value) found.push(line)
    }
    return good(found)
  }

  /** The last `count` lines, in order. */
  async newest(count: number): Promise<Outcome<StoredLine[]>> {
    let found: StoredLine[] = []
    for (const group of this.groups(0, Infinity).reverse()) {
      if (found.length >= count) break
      const read = await this.linesOf(group, 0, Infinity)
      if (!read.ok) return read
      found = [...read.value, ...found]
    }
    return good(found.slice(Math.max(0, found.length - count)))
  }

  /**
   * Gives every line with a number to the visitor, in order, as a view of its bytes. Only the CRC is checked, not that the
   * text is canonical: a year of minutes takes about a second. A visitor that answers false ends the scan.
   */
  async scan(
    visit: (view: LineView) => boolean | void,
    options: ScanOptions = {},
  ): Promise<Outcome<Scanned>> {
    const { from = 0, to = Infinity } = options
    const kind = options.kind === undefined ? undefined : Buffer.from(options.kind + ',')
    const scanned: Scanned = { lines: 0, damaged: 0, cut: 0, sound: new Map() }
    const view = new LineView(this.sets)
    let going = true
    const taken: Taken = (bytes, start, end, seq) => {
      view.show(bytes, start, end, seq)
      scanned.lines++
      if (visit(view) === false) going = false
      return going
    }
    const search = { from, to, taken, scanned, kind, sound: options.sound }
    for (const group of this.groups(from, to)) {
      const read = group[0].inOrder ? await this.walk(group[0], search) : await this.walkSorted(group, search)
      if (!read.ok) return read
      if (!going) break
    }
    return good(scanned)
  }

  /** Bytes of whole lines of a file, where the CRC of each passes; see `ScanOptions.sound`. */
  async soundBytes(name: string): Promise<number | undefined> {
    const seed = seedOf(this.storeId, name)
    let all = true
    const visit = (bytes: Buffer, start: number, end: number): boolean =>
      (all = end === start || passes(bytes, start, end, seed))
    const read = await eachLine(this.disk, name, 0, undefined, visit)
    return all && read.ok ? read.value.length - read.value.tailBytes : undefined
  }

  /** Files that may hold lines of a range; the files of one archive range stand together. */
  private groups(from: number, to: number): ReadableFile[][] {
    const groups: ReadableFile[][] = []
    for (const file of this.files()) {
      if (file.first > to || file.last < from || file.last < file.first) continue
      const group = groups[groups.length - 1]
      if (group && !file.inOrder && group[0].first === file.first) group.push(file)
      else groups.push([file])
    }
    return groups
  }

  private async linesOf(
    group: readonly ReadableFile[],
    from: number,
    to: number,
  ): Promise<Outcome<StoredLine[]>> {
    const texts: string[] = []
    const taken: Taken = (bytes, start, end) => {
      texts.push(textOf(bytes, start, end))
    }
    for (const file of group) {
      const read = await this.walk(file, { from, to, taken })
      if (!read.ok) return read
    }
    if (texts.some((text) => !this.isExplained(text))) await this.learnAll()
    const found: StoredLine[] = []
    for (const text of texts) {
      const line = parseLine(text, this.sets)
      if (line) found.push({ line, text })
    }
    return good(group[0].inOrder ? found : withoutDoubles(found, ({ line }) => line.seq))
  }

  private isExplained(text: string): boolean {
    return !text.startsWith('record,') || this.sets.has(text.split(',', 3)[2])
  }

  /** Where a columns line is damaged another file, or a later line, may hold it: sets are named by their content. */
  private async learnAll(): Promise<void> {
    if (this.learnedAll) return
    this.learnedAll = true
    for (const file of this.files())
      await this.walk(file, { from: Infinity, to: Infinity, taken: () => undefined })
  }

  /** Arrival order to number order: the wanted lines of one range are copied, sorted, and given. */
  private async walkSorted(group: readonly ReadableFile[], search: Search): Promise<Outcome<void>> {
    const found: { seq: number; bytes: Buffer }[] = []
    const taken: Taken = (bytes, start, end, seq) => {
      found.push({ seq, bytes: Buffer.from(bytes.subarray(start, end)) })
    }
    for (const file of group) {
      const read = await this.walk(file, { ...search, taken })
      if (!read.ok) return read
    }
    for (const { seq, bytes } of withoutDoubles(found, (line) => line.seq))
      if (search.taken(bytes, 0, bytes.length, seq) === false) break
    return done
  }

  /** Goes through one file: learns column sets, gives each whole line with a wanted number. */
  private async walk(file: ReadableFile, search: Search): Promise<Outcome<void>> {
    const { kind, scanned, taken } = search
    const seed = seedOf(this.storeId, file.name)
    const first = Math.max(search.from, file.first)
    const last = Math.min(search.to, file.last)
    const checkAll = scanned !== undefined && kind === undefined
    const before = notPassed(scanned)
    const soundUpTo = search.sound?.get(file.name) ?? 0
    const visit = (bytes: Buffer, start: number, end: number, offset: number): boolean | void => {
      const seq = seqOf(bytes, start, end)
      const inRange = seq === undefined || (seq >= first && seq <= last)
      const wanted = inRange && (seq === undefined || !kind || beginsWith(bytes, start, end, kind))
      if (!wanted && !checkAll && !(file.inOrder && seq! > last)) return
      const isSound = offset + end - start < soundUpTo
      if (!isSound && !passes(bytes, start, end, seed)) return note(scanned, bytes, start, end)
      if (seq === undefined) return this.learn(bytes, start, end)
      return wanted ? taken(bytes, start, end, seq) : !(file.inOrder && seq > last)
    }
    const offset = startOffset(file, first)
    const read = await eachLine(this.disk, file.name, offset, file.length, visit)
    if (!read.ok) return read
    const { length, tailBytes } = read.value
    if (checkAll && offset === 0 && notPassed(scanned) === before)
      scanned.sound.set(file.name, length - tailBytes)
    return done
  }

  private learn(bytes: Buffer, start: number, end: number): void {
    if (!beginsWith(bytes, start, end, columnsWord) || this.sets.size >= mostSets) return
    // Sets are named by their content: one that is known need not be read again, and every file begins with its own.
    const nameAt = start + columnsWord.length
    const nameEnd = bytes.indexOf(comma, nameAt)
    if (nameEnd < end && this.sets.has(bytes.toString('latin1', nameAt, nameEnd))) return
    const set = parseColumnSet(textOf(bytes, start, end))
    if (set && !this.sets.has(set.id)) this.sets.set(set.id, set)
  }
}

const notPassed = (scanned: Scanned | undefined): number => (scanned ? scanned.damaged + scanned.cut : 0)

function note(scanned: Scanned | undefined, bytes: Buffer, start: number, end: number): void {
  if (scanned && end > start) scanned[isCut(bytes, start, end) ? 'cut' : 'damaged']++
}

function startOffset(file: ReadableFile, first: number): number {
  let offset = 0
  for (const mark of file.marks ?? []) {
    if (mark.seq > first) break
    offset = mark.offset
  }
  return offset
}

/** In order of their numbers; of several with one number the first that was written. */
function withoutDoubles<T>(lines: readonly T[], seqOfLine: (line: T) => number): T[] {
  const sorted = [...lines].sort((a, b) => seqOfLine(a) - seqOfLine(b))
  return sorted.filter((line, i) => i === 0 || seqOfLine(line) !== seqOfLine(sorted[i - 1]))
}
