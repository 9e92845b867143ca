/** The store of a station as a collector keeps it: lines in files of a fixed range of numbers, in order of arrival. */
import {
  bad,
  done,
  good,
  parseLine,
  RangeSet,
  type ColumnSet,
  type Disk,
  type Line,
  type Outcome,
} from '../terms/terms.js'
import { appendEntries, newFile, type AppendFile, type Entry } from './appender.js'
import { archiveFiles, KnownLines } from './archive-start.js'
import { readableFiles } from './folder.js'
import { openIdentity } from './identity.js'
import { conflictsName, freshName, linesFiles, type LinesName } from './names.js'
import { oneAtATime } from './one-at-a-time.js'
import { mostSets, StoreReader, type ReadableFile } from './reader.js'
import { setAside } from './set-aside.js'
import type { Identity } from './stored-line.js'

export interface ArchiveOptions {
  readonly disk: Disk
  readonly storeId: string
  readonly station: string
  /** Numbers in one file; an archive that has files keeps to theirs by being opened with the same figure. */
  readonly linesRange?: number
  /** Lines that may wait for `sync`; when there are more, `add` syncs first. */
  readonly maxWaitingLines?: number
  /** Bytes of lines after which the index is made anew: what a start may have to read of the lines. */
  readonly indexEveryBytes?: number
}

/** A line as it came: its canonical text and the number it says. */
export interface ArrivedLine {
  readonly seq: number
  readonly text: string
}

/** What became of the lines of one `add`. */
export interface Added {
  /** New here; safe after the next `sync`. */
  readonly added: number
  /** Here already, with the same text. */
  readonly doubles: number
  /** Numbers that are here already with another text (identity-conflict): the later one is kept aside in conflicts.txt. */
  readonly conflicts: readonly number[]
  /** Not a canonical line of the number it came with, or a record of columns that are not known or one set too many. */
  readonly refused: number
}

const mostConflictBytes = 1024 * 1024

/**
 * Opens the archive of one store, making it in an empty folder. Of its files only what the index does not cover is read.
 * Faults: store-foreign, disk-*.
 */
export async function openArchive(options: ArchiveOptions): Promise<Outcome<Archive>> {
  const { disk, storeId, station } = options
  const folder = await openIdentity(disk, { storeId, station }, () => ({ storeId, station }))
  if (!folder.ok) return folder
  const { identity, names } = folder.value
  const known = new KnownLines(disk, identity.storeId)
  const files = archiveFiles(names)
  const appendable = await known.learn(files)
  if (!appendable.ok) return appendable
  return good(new Archive(options, identity, known, { names, files, appendable: appendable.value }))
}

/** What is in the folder when it is opened. */
interface Found {
  readonly names: readonly string[]
  readonly files: readonly LinesName[]
  /** By the first number of the range. */
  readonly appendable: Map<number, AppendFile>
}

export class Archive {
  private readonly waiting = new Map<number, Waiting>()
  private readonly files: Map<number, AppendFile>
  private readonly taken: Set<string>
  private names: readonly LinesName[]
  private readonly linesRange: number
  private readonly maxWaitingLines: number
  private readonly indexEveryBytes: number
  private readonly disk: Disk
  private readonly reader: StoreReader

  constructor(
    { disk, linesRange = 8192, maxWaitingLines = 16_384, indexEveryBytes = 32_768 }: ArchiveOptions,
    private readonly identity: Identity,
    private readonly known: KnownLines,
    { names, files, appendable }: Found,
  ) {
    const [first] = files
    this.linesRange = first?.last === undefined ? linesRange : first.last - first.first + 1
    this.maxWaitingLines = maxWaitingLines
    this.indexEveryBytes = indexEveryBytes
    this.disk = disk
    this.files = appendable
    this.taken = new Set(names)
    this.names = files
    this.reader = new StoreReader(disk, identity.storeId, () => this.readable(), known.sets)
  }

  get storeId(): string {
    return this.identity.storeId
  }

  get station(): string {
    return this.identity.station
  }

  /** Damaged lines found when it was opened; their numbers count as not there. */
  get damaged(): number {
    return this.known.damaged
  }

  /** Whether the line of this number is here and synced. */
  has(seq: number): boolean {
    return this.known.held.has(seq)
  }

  /** Numbers that need not be waited for: of lines here and synced, and those that a skip line here says no line has. */
  ranges(): RangeSet {
    return RangeSet.from([...this.known.held.ranges(), ...this.known.skipped.ranges()])
  }

  /** Lines that wait for `sync`. */
  get buffered(): number {
    return this.waiting.size
  }

  /**
   * Takes lines as they came; they are safe after the next `sync`. On a fault (disk-*) all of them may be given again: what
   * was taken already is a double then.
   * @param sets the columns of the records among them
   */
  async add(lines: readonly ArrivedLine[], sets: readonly ColumnSet[]): Promise<Outcome<Added>> {
    if (this.waiting.size + lines.length > this.maxWaitingLines) {
      const synced = await this.sync()
      if (!synced.ok) return synced
    }
    const count = { added: 0, doubles: 0, conflicts: 0, refused: 0 }
    const conflicts: ArrivedLine[] = []
    const known = new Map([...this.known.sets, ...sets.map((set) => [set.id, set] as const)])
    const stored = new Map<number, Map<number, string>>()
    for (const arrived of lines) {
      const placed = await this.place(arrived, known, stored)
      if (!placed.ok) return placed
      count[placed.value]++
      if (placed.value === 'conflicts') conflicts.push(arrived)
    }
    if (conflicts.length > 0) await this.keepAside(conflicts)
    return good({ ...count, conflicts: conflicts.map(({ seq }) => seq) })
  }

  /** Brings what waits to disk, range by range, and syncs it. One runs at a time; see `oneAtATime`. */
  readonly sync = oneAtATime(() => this.write())

  /** The safe lines whose numbers are within from and to, in order; all of them are held in memory. */
  readonly lines: StoreReader['lines'] = (from, to) => this.reader.lines(from, to)
  readonly newest: StoreReader['newest'] = (count) => this.reader.newest(count)
  readonly scan: StoreReader['scan'] = (visit, options) => this.reader.scan(visit, options)
  readonly columnSet: StoreReader['columnSet'] = (id) => this.reader.columnSet(id)

  private async place(
    { seq, text }: ArrivedLine,
    sets: ReadonlyMap<string, ColumnSet>,
    stored: Map<number, Map<number, string>>,
  ): Promise<Outcome<'added' | 'doubles' | 'conflicts' | 'refused'>> {
    const line = parseLine(text, sets)
    if (line?.seq !== seq) return good('refused')
    if (line.kind === 'record' && !this.known.sets.has(line.set) && this.known.sets.size >= mostSets)
      return good('refused')
    let here = this.waiting.get(seq)?.text
    if (here === undefined && this.has(seq)) {
      const read = await this.storedText(seq, stored)
      if (!read.ok) return read
      here = read.value
    }
    if (here !== undefined) return good(here === text ? 'doubles' : 'conflicts')
    this.waiting.set(seq, { seq, text, line, set: line.kind === 'record' ? sets.get(line.set) : undefined })
    return good('added')
  }

  /** Text of a line on disk; undefined when it was damaged since. Reads its range once for one `add`. */
  private async storedText(
    seq: number,
    stored: Map<number, Map<number, string>>,
  ): Promise<Outcome<string | undefined>> {
    const first = this.rangeOf(seq)
    if (!stored.has(first)) {
      const read = await this.reader.lines(first, first + this.linesRange - 1)
      if (!read.ok) return read
      stored.set(first, new Map(read.value.map(({ line, text }) => [line.seq, text])))
    }
    return good(stored.get(first)!.get(seq))
  }

  private async keepAside(conflicts: readonly ArrivedLine[]): Promise<void> {
    const texts = conflicts.map(({ text }) => `conflict,,${text}`)
    await setAside(this.disk, this.storeId, conflictsName, texts, mostConflictBytes)
  }

  /** Nothing that is not synced. */
  private readable(): ReadableFile[] {
    return readableFiles(this.names).map((readable) => {
      const file = this.files.get(readable.first)
      return file?.name === readable.name ? { ...readable, length: file.length } : readable
    })
  }

  private rangeOf(seq: number): number {
    return seq - (seq % this.linesRange)
  }

  private async write(): Promise<Outcome<void>> {
    const byRange = new Map<number, Waiting[]>()
    for (const line of [...this.waiting.values()].sort((a, b) => a.seq - b.seq)) {
      const lines = byRange.get(this.rangeOf(line.seq))
      if (lines) lines.push(line)
      else byRange.set(this.rangeOf(line.seq), [line])
    }
    for (const [first, lines] of byRange) {
      const written = await this.writeRange(first, lines)
      if (!written.ok) return written
    }
    if (this.known.isDue(this.indexEveryBytes)) await this.known.save()
    return done
  }

  private async writeRange(first: number, lines: readonly Waiting[]): Promise<Outcome<void>> {
    const file = this.fileFor(first)
    if (!file.ok) return file
    const before = file.value.length
    const written = await appendEntries(this.disk, this.identity, file.value, lines)
    if (!written.ok) {
      if (written.spoiled) this.giveUp(first, file.value)
      return { ok: false, fault: written.fault }
    }
    this.known.appended(file.value, file.value.length - before)
    for (const { seq, line, set } of lines) {
      this.known.hold(seq, line)
      this.waiting.delete(seq)
      if (set) this.known.sets.set(set.id, set)
    }
    return done
  }

  private giveUp(first: number, file: AppendFile): void {
    this.files.delete(first)
    this.known.forget(file)
  }

  private fileFor(first: number): Outcome<AppendFile> {
    const open = this.files.get(first)
    if (open) return good(open)
    const name = freshName(first, first + this.linesRange - 1, this.taken)
    if (!name) return bad('disk-error', `${this.disk.name}: every name for lines from ${first} on was tried`)
    this.taken.add(name.name)
    this.names = linesFiles([...this.names, name].map((file) => file.name))
    const file = newFile(name.name)
    this.files.set(first, file)
    return good(file)
  }
}

interface Waiting extends Entry {
  readonly line: Line
}
