/**
 * store: the append-only folder in which a station keeps its lines, and the archive in which a collector keeps them.
 *
 * In: lines (numbered here for a station, numbered already for an archive), a Disk, and who the folder belongs to.
 * Out: for each line its number, at once; `safeSeq`, up to which everything survives a power cut; the lines again, by
 * number or in one pass; seals over what is safe; lines in which one signing key hands over to the next; what a verification of
 * a folder finds. FORMAT.md says what every byte means and what a start makes of a folder that a power cut left.
 * Assumed: one writer (the lock is hardware/'s); the Disk may write short, fail, fill up or turn read-only, and a power cut
 * may lose or tear what was not synced.
 * Refused: a folder that holds something else, or another station's store (store-foreign). Damaged lines are set aside and
 * counted. A full buffer drops its oldest line, counts it, and a skip line says so. No number is ever used twice for lines
 * that were safe or let out, and none leaves the station before it is one of the two.
 */
import type { ColumnSet, Disk, Line, Outcome, SigningKey, StageCounts } from '../terms/terms.js'
import { good } from '../terms/terms.js'
import type { Board } from './board-marks.js'
import { openIdentity } from './identity.js'
import type { LineView } from './line-view.js'
import {
  StoreReader,
  type ReadableFile,
  type Scanned,
  type ScanOptions,
  type SoundFiles,
  type StoredLine,
} from './reader.js'
import type { StoredText } from './recent-lines.js'
import { recover, type Recovered } from './recovery.js'
import type { Seal } from './seal.js'
import { Sealer, type MadeRoom, type MakeRoomOptions, type SealableStore } from './sealer.js'
import type { Identity } from './stored-line.js'
import { StoreWriter } from './writer.js'

export { openArchive, type Added, type Archive, type ArchiveOptions, type ArrivedLine } from './archive.js'
export { claimFolder, signOfAnotherBoard, type Claim } from './board.js'
export type { Board } from './board-marks.js'
export { earlierFolder } from './names.js'
export { readStoreFolder, type StoreFolder } from './folder.js'
export { fileStart, followFile, type Followed, type FileMark } from './follow.js'
export {
  eachFoundLine,
  folderFiles,
  namedStore,
  readFoundLine,
  readHeading,
  type FolderFiles,
  type FoundLine,
  type LinePlace,
} from './found-lines.js'
export { isKeyMeant, keyFingerprint, leastFingerprintDigits, readFingerprint } from './fingerprint.js'
export { handOverName, unsignedDetails, type HandOver, type UnsignedReason } from './hand-over.js'
export {
  announceKey,
  changeKey,
  finishRotation,
  handOver,
  keyChange,
  keyLinesOf,
  rotateKey,
  type ChangedKey,
  type KeyChange,
  type KeyWish,
  type MakeEvent,
  type NamedKey,
  type Rotated,
} from './rotation.js'
export { readGone, readSeal, type Gone, type Seal } from './seal.js'
export type { MadeRoom, MakeRoomOptions } from './sealer.js'
export {
  notProved,
  verifyFolder,
  whoseFolder,
  type Finding,
  type FindingKind,
  type Verification,
  type VerifyOptions,
} from './verify-chain.js'
export type { KeyUse } from './verify-keys.js'
export { BootOrder, boundedAt, middleOf, type BootBounds, type BoundedTime } from './boot-bounds.js'
export { TimeTable, type PlacedTime } from './time-table.js'
export type { LineView, Recovered, Scanned, ScanOptions, SoundFiles, StoredLine, StoredText }

export interface StoreOptions {
  readonly disk: Disk
  /** A new random id, asked for only when the folder is empty. */
  readonly newStoreId: () => string
  readonly station: string
  /** Lines with a number in a file before the next begins. */
  readonly linesPerFile?: number
  /** Lines that may wait for the disk before the oldest is dropped, at least 4; while a write is under way, as many again. */
  readonly maxBufferedLines?: number
  /** Highest number that others know to be given (a checkpoint's): numbers go on above it. */
  readonly atLeastSeq?: number
  /** What tells the board, kept with a store that is made; see `claimFolder`. */
  readonly board?: Board
  /** So many numbers more are left out: nobody knows any more which of them were let out before their lines were safe. */
  readonly leaveOut?: number
}

/** Opens a station's store, making it in an empty folder. Faults: store-foreign, disk-*. */
export async function openStore(options: StoreOptions): Promise<Outcome<Store>> {
  const { disk, station, newStoreId, linesPerFile = 2048, maxBufferedLines = 1500 } = options
  const { atLeastSeq = 0, leaveOut = 0 } = options
  const made = () => ({ storeId: newStoreId(), station })
  const folder = await openIdentity(disk, { station }, made, options.board)
  if (!folder.ok) return folder
  const { identity, names } = folder.value
  const sets = new Map<string, ColumnSet>()
  const start = await recover(disk, identity, names, sets, atLeastSeq, leaveOut)
  if (!start.ok) return start
  const writer = new StoreWriter(disk, identity, sets, names, start.value, { linesPerFile, maxBufferedLines })
  return good(new Store(identity, start.value.recovered, writer, disk, sets))
}

export class Store {
  private readonly reader: StoreReader
  private readonly sealer: Sealer

  constructor(
    private readonly identity: Identity,
    /** What opening it found. */
    readonly recovered: Recovered,
    private readonly writer: StoreWriter,
    disk: Disk,
    sets: Map<string, ColumnSet>,
  ) {
    this.reader = new StoreReader(disk, identity.storeId, () => writer.readable(), sets)
    this.sealer = new Sealer(this.sealable(), disk)
  }

  get storeId(): string {
    return this.identity.storeId
  }

  get station(): string {
    return this.identity.station
  }

  /** Number that the next line will get. */
  get nextSeq(): number {
    return this.writer.nextSeq
  }

  /**
   * Everything up to this number is synced: as a line, or as part of a skip line's range. Holes that a start found between
   * lines are accounted for after its first flush.
   */
  get safeSeq(): number {
    return this.writer.safeSeq
  }

  /** Lines that wait for the disk. */
  get buffered(): number {
    return this.writer.buffered
  }

  /**
   * Numbers a line and keeps it in memory until the next flush. A line longer than a reader would take becomes an event
   * 'line-too-long'.
   * @param set the columns of a record
   * @returns its number
   */
  append(make: (seq: number) => Line, set?: ColumnSet): number {
    return this.writer.append(make, set)
  }

  /**
   * Brings everything appended before to disk and syncs it. On a fault (disk-*) the lines wait in memory; try again later.
   */
  flush(): Promise<Outcome<void>> {
    return this.writer.flush()
  }

  /** The safe lines whose numbers are within from and to, in order; all of them are held in memory. */
  lines(from: number, to: number): Promise<Outcome<StoredLine[]>> {
    return this.reader.lines(from, to)
  }

  /**
   * Lets lines leave that wait for a disk that fails, up to this number at most; see `linesAsText`. Whoever calls it has seen
   * to it that no later start gives these numbers again (`atLeastSeq`).
   * @returns the highest number that may leave now
   */
  letOut(upTo: number): number {
    return this.writer.letOut(upTo)
  }

  /** The texts of these lines; the newest come from memory, and so do those that were let out unsafe. */
  async linesAsText(from: number, to: number): Promise<Outcome<readonly StoredText[]>> {
    const { safeSeq } = this.writer
    if (to <= safeSeq) return this.safeLines(from, to)
    const outside = this.writer.waitingOutside(from, to)
    if (from > safeSeq) return good(outside)
    const safe = await this.safeLines(from, safeSeq)
    return safe.ok ? good([...safe.value, ...outside]) : safe
  }

  private async safeLines(from: number, to: number): Promise<Outcome<readonly StoredText[]>> {
    const recent = this.writer.recent.within(from, to)
    return recent ? good(recent) : this.reader.lines(from, to)
  }

  /** The last `count` safe lines, in order. */
  newest(count: number): Promise<Outcome<StoredLine[]>> {
    return this.reader.newest(count)
  }

  /** Every safe line in order, as views of bytes: the fast way through a year. */
  scan(visit: (view: LineView) => boolean | void, options?: ScanOptions): Promise<Outcome<Scanned>> {
    return this.reader.scan(visit, options)
  }

  /** Its files with the numbers they hold, in order; the last is the one being written. */
  files(): readonly ReadableFile[] {
    return this.writer.readable()
  }

  columnSet(id: string): ColumnSet | undefined {
    return this.reader.columnSet(id)
  }

  /**
   * Brings everything appended before to disk and seals what is not sealed yet: to be called at each hour, and with the
   * station's key at the day's end. Nothing new and no key: nothing is written. Faults: disk-*; try again at the next hour.
   */
  seal(key?: SigningKey): Promise<Outcome<readonly Seal[]>> {
    return this.sealer.seal(key)
  }

  /**
   * Where more than 90 % of the disk are used, removes whole files that are sealed and received, oldest first, each after a
   * gone line for it is safe, until there is room or nothing more may go. To be called after a seal. Faults: disk-*.
   */
  makeRoom(options: MakeRoomOptions): Promise<Outcome<MadeRoom>> {
    return this.sealer.makeRoom(options)
  }

  /** Lines of this run: appended = safe + dropped + waiting. */
  counts(): StageCounts {
    return this.writer.counts()
  }

  private sealable(): SealableStore {
    const { writer, reader, storeId } = this
    return {
      storeId,
      get safeSeq() {
        return writer.safeSeq
      },
      append: (make) => writer.append(make, undefined),
      flush: () => writer.flush(),
      scan: (visit, options) => reader.scan(visit, options),
      files: () => writer.readable(),
      forget: (name) => writer.forget(name),
    }
  }
}
