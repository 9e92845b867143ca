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
import { CheckedFile } from './check-file.js'
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

/** Opens the archive of one store, making it in an empty folder. All of its files are read once. Faults: store-foreign, disk-*. */
export async function openArchive(options: ArchiveOptions): Promise<Outcome<Archive>> {
  const { disk, storeId, station, linesRange = 8192, maxWaitingLines = 16_384 } = options
  const folder = await openIdentity(disk, { storeId, station }, () => ({ storeId, station }))
  if (!folder.ok) return folder
  const archive = new Archive(disk, folder.value.identity, linesRange, maxWaitingLines)
  const read = await archive.readFiles(folder.value.names)
  return read.ok ? good(archive) : read
}

export class Archive {
  /** Damaged lines found when it was opened; their numbers count as not there. */
  damaged = 0
  private readonly held = new RangeSet()
  private readonly skipped = new RangeSet()
  private readonly waiting = new Map<number, Waiting>()
  private readonly files = new Map<number, AppendFile>()
  private readonly taken = new Set<string>()
  private names: LinesName[] = []
  private readonly sets = new Map<string, ColumnSet>()
  private readonly reader: StoreReader

  constructor(
    private readonly disk: Disk,
    private readonly identity: Identity,
    private linesRange: number,
    private readonly maxWaitingLines: number,
  ) {
    this.reader = new StoreReader(disk, identity.storeId, () => this.readable(), this.sets)
  }

  get storeId(): string {
    return this.identity.storeId
  }

  get station(): string {
    return this.identity.station
  }

  /** Whether the line of this number is here and synced. */
  has(seq: number): boolean {
    return this.held.has(seq)
  }

  /** Numbers that need not be waited for: of lines here and synced, and those that a skip line here says no line has. */
  ranges(): RangeSet {
    return RangeSet.from([...this.held.ranges(), ...this.skipped.ranges()])
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
    const known = new Map([...this.sets, ...sets.map((set) => [set.id, set] as const)])
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

  /** Learns what is there. Everything found is synced before it is believed. */
  async readFiles(names: readonly string[]): Promise<Outcome<void>> {
    this.names = linesFiles(names).filter((file) => file.last !== undefined)
    for (const name of names) this.taken.add(name)
    const [first] = this.names
    if (first?.last !== undefined) this.linesRange = first.last - first.first + 1
    for (const name of this.names) {
      const read = await this.readFile(name)
      if (!read.ok) return read
    }
    return this.names.length > 0 ? this.disk.syncFolder('') : done
  }

  private async readFile({ name, first, last = first }: LinesName): Promise<Outcome<void>> {
    const synced = await this.disk.datasync(name)
    if (!synced.ok) return synced
    const onLine = (line: Line): void => {
      if (line.seq >= first && line.seq <= last) this.hold(line.seq, line)
    }
    const read = await CheckedFile.read(this.disk, this.storeId, name, this.sets, Infinity, onLine)
    if (!read.ok) return read
    this.damaged += read.value.damagedInAll
    this.files.set(first, { ...read.value.file, named: true })
    return done
  }

  private hold(seq: number, line: Line): void {
    this.held.add(seq)
    if (line.kind === 'skip') this.skipped.add(line.from, line.to)
  }

  private async place(
    { seq, text }: ArrivedLine,
    sets: ReadonlyMap<string, ColumnSet>,
    stored: Map<number, Map<number, string>>,
  ): Promise<Outcome<'added' | 'doubles' | 'conflicts' | 'refused'>> {
    const line = parseLine(text, sets)
    if (line?.seq !== seq) return good('refused')
    if (line.kind === 'record' && !this.sets.has(line.set) && this.sets.size >= mostSets)
      return good('refused')
    let here = this.waiting.get(seq)?.text
    if (here === undefined && this.held.has(seq)) {
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
    return done
  }

  private async writeRange(first: number, lines: readonly Waiting[]): Promise<Outcome<void>> {
    const file = this.fileFor(first)
    if (!file.ok) return file
    const written = await appendEntries(this.disk, this.identity, file.value, lines)
    if (!written.ok) {
      if (written.spoiled) this.files.delete(first)
      return { ok: false, fault: written.fault }
    }
    for (const { seq, line, set } of lines) {
      this.hold(seq, line)
      this.waiting.delete(seq)
      if (set) this.sets.set(set.id, set)
    }
    return done
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
