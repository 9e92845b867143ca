/** What an archive's start learns of its files: from the index where that fits, and by reading whatever it does not cover. */
import { good, RangeSet, type ColumnSet, type Disk, type Line, type Outcome } from '../terms/terms.js'
import type { AppendFile } from './appender.js'
import { endOf, readIndex, writeIndex, type ArchiveIndex, type IndexedFile } from './archive-index.js'
import { CheckedFile } from './check-file.js'
import { linesFiles, type LinesName } from './names.js'

/** One file of it. */
interface KnownFile {
  readonly file: AppendFile
  /** Its damaged lines. */
  readonly damaged: number
  /** Bytes after the last line end, as it was read; nothing once it was appended to. */
  tailBytes: number
}

/** Lines files of an archive and the numbers in them, as they stand synced on the disk. */
export class KnownLines {
  readonly held = new RangeSet()
  readonly skipped = new RangeSet()
  readonly sets = new Map<string, ColumnSet>()
  private readonly files = new Map<string, KnownFile>()
  private indexBytes = 0
  /** Bytes of lines that the index does not cover. */
  private unindexedBytes = 0

  constructor(
    private readonly disk: Disk,
    private readonly storeId: string,
  ) {}

  /** Damaged lines; their numbers count as not there. */
  get damaged(): number {
    return [...this.files.values()].reduce((sum, { damaged }) => sum + damaged, 0)
  }

  /**
   * Learns what is there. Everything found is synced before it is believed.
   * @returns the file of each range that may be appended to, by the range's first number
   */
  async learn(names: readonly LinesName[]): Promise<Outcome<Map<number, AppendFile>>> {
    const index = names.length > 0 ? await readIndex(this.disk, this.storeId) : undefined
    if (index) this.believe(index)
    const appendable = new Map<number, AppendFile>()
    let hasRead = false
    for (const name of names) {
      const isNew = await this.readRest(name)
      if (!isNew.ok) return isNew
      hasRead ||= isNew.value
      appendable.set(name.first, this.files.get(name.name)!.file)
    }
    const synced = hasRead ? await this.disk.syncFolder('') : good(undefined)
    if (!synced.ok) return synced
    if (!index && hasRead) await this.save()
    return good(appendable)
  }

  private believe(index: ArchiveIndex): void {
    for (const [first, last] of index.held.ranges()) this.held.add(first, last)
    for (const [first, last] of index.skipped.ranges()) this.skipped.add(first, last)
    for (const set of index.sets) this.sets.set(set.id, set)
    for (const { name, length, lines, damaged, header, sets } of index.files) {
      const file = { name, length, lines, header, named: true, openTail: false, sets: new Set(sets) }
      this.files.set(name, { file, damaged, tailBytes: 0 })
    }
  }

  /** @returns whether there was something to read */
  private async readRest({ name, first, last = first }: LinesName): Promise<Outcome<boolean>> {
    const known = this.files.get(name)
    const from = known?.file.length ?? 0
    const size = await this.disk.size(name)
    if (!size.ok) return size
    if (known && from === size.value) return good(false)
    const synced = await this.disk.datasync(name)
    if (!synced.ok) return synced
    const onLine = (line: Line): void => {
      if (line.seq >= first && line.seq <= last) this.hold(line.seq, line)
    }
    const read = await CheckedFile.read(this.disk, this.storeId, name, this.sets, {
      onLine,
      known: known?.file,
    })
    if (!read.ok) return read
    const { file, damagedInAll, tailBytes } = read.value
    file.named = true
    this.unindexedBytes += file.length - from
    this.files.set(name, { file, damaged: (known?.damaged ?? 0) + damagedInAll, tailBytes })
    return good(true)
  }

  hold(seq: number, line: Line): void {
    this.held.add(seq)
    if (line.kind === 'skip') this.skipped.add(line.from, line.to)
  }

  /** So many bytes were appended to the file, and synced. */
  appended(file: AppendFile, bytes: number): void {
    this.unindexedBytes += bytes
    const known = this.files.get(file.name)
    if (known) known.tailBytes = 0
    else this.files.set(file.name, { file, damaged: 0, tailBytes: 0 })
  }

  /** Nobody knows what the file holds now: the next start reads it. */
  forget(file: AppendFile): void {
    this.files.delete(file.name)
  }

  /** @param everyBytes what a start may have to read beyond the index */
  isDue(everyBytes: number): boolean {
    return this.unindexedBytes >= Math.max(everyBytes, this.indexBytes)
  }

  /** Writes the index. A failure costs the next start its time, and nothing else. */
  async save(): Promise<void> {
    this.unindexedBytes = 0
    const files: IndexedFile[] = []
    for (const { file, damaged, tailBytes } of this.files.values()) {
      const length = file.length - tailBytes
      const end = await endOf(this.disk, file.name, length)
      if (end !== undefined) files.push({ ...file, length, damaged, end, sets: [...file.sets] })
    }
    const { held, skipped } = this
    const index = { held, skipped, files, sets: [...this.sets.values()] }
    const written = await writeIndex(this.disk, this.storeId, index)
    if (written.ok) this.indexBytes = written.value
  }
}

/** Files of ranges: those of a station's own store are none of an archive's. */
export const archiveFiles = (names: readonly string[]): LinesName[] =>
  linesFiles(names).filter((file) => file.last !== undefined)
