/** Smallest piece of a card that is written as a whole. */
export const sectorBytes = 512

/** What of a file's unsynced sectors a power cut keeps, and how long the file says it is. */
export interface SectorsLeft {
  /** Whether this sector, counted from the file's first, holds what was written last. */
  readonly keeps: (sector: number) => boolean
  /** 'none': as at the sync. 'kept': up to the last sector that was kept. 'all': as written, with NULs for what is missing. */
  readonly size: 'none' | 'kept' | 'all'
}

/** One file of a disk in memory: what stands in it, and what of that is on the medium. */
export class MemoryFile {
  length = 0
  /** A sync of it failed: what stood unsynced then never reaches the medium, whatever a later sync says. */
  syncFailed = false
  private bytes = new Uint8Array(0)
  /** Bytes from the start that are on the medium as they stand; more may be, see `syncedBefore`. */
  private syncedLength = 0
  /** The medium's content where it is no longer the beginning of the present one (after a truncate). */
  private syncedBefore: Uint8Array | undefined
  /** Parts that a failed sync lost: the system holds them for clean, the medium never got them. */
  private lost: (readonly [from: number, to: number])[] = []

  static of(bytes: Uint8Array): MemoryFile {
    const file = new MemoryFile()
    file.append(bytes)
    file.sync()
    return file
  }

  content(): Uint8Array {
    return this.bytes.slice(0, this.length)
  }

  read(from: number, length: number): Uint8Array {
    return this.bytes.slice(from, Math.max(from, Math.min(this.length, from + length)))
  }

  append(more: Uint8Array): void {
    const needed = this.length + more.length
    if (needed > this.bytes.length) {
      const grown = new Uint8Array(Math.max(needed, 2 * this.bytes.length))
      grown.set(this.bytes.subarray(0, this.length))
      this.bytes = grown
    }
    this.bytes.set(more, this.length)
    this.length = needed
  }

  truncate(length: number): void {
    if (length < this.syncedLength) this.syncedBefore ??= this.medium()
    this.syncedLength = Math.min(this.syncedLength, length)
    this.lost = this.lost.filter(([from]) => from < length)
    this.length = length
  }

  sync(): void {
    this.syncedLength = this.length
    this.syncedBefore = undefined
  }

  /** What Linux makes of an error while it writes back: the pages count as clean, and their content is nowhere. */
  failSync(): void {
    if (this.length > this.syncedLength) this.lost.push([this.syncedLength, this.length])
    this.syncFailed = true
  }

  /** Bytes that were written since the sync. */
  get unsyncedBytes(): number {
    return Math.max(0, this.length - this.syncedLength)
  }

  /** Sectors that hold some of them. */
  get unsyncedSectors(): readonly number[] {
    const first = Math.floor(this.syncedLength / sectorBytes)
    const end = this.unsyncedBytes > 0 ? Math.ceil(this.length / sectorBytes) : first
    return Array.from({ length: end - first }, (_, i) => first + i)
  }

  /** As it was synced last. */
  medium(): Uint8Array {
    return this.syncedBefore ?? this.withoutLost(this.bytes.slice(0, this.syncedLength))
  }

  /** The first `keptBytes` of what is not synced, and zeros or nothing in place of the rest. */
  torn(keptBytes: number, rest: 'missing' | 'zeros'): Uint8Array {
    const kept = Math.min(this.length, this.syncedLength + keptBytes)
    const left = this.bytes.slice(0, rest === 'zeros' ? this.length : kept)
    return this.withoutLost(left.fill(0, kept))
  }

  sectorsLeft({ keeps, size }: SectorsLeft): Uint8Array {
    const before = this.medium()
    const kept = this.unsyncedSectors.filter(keeps)
    const keptEnd = Math.min(this.length, ((kept.at(-1) ?? -1) + 1) * sectorBytes)
    const end = { none: before.length, kept: Math.max(before.length, keptEnd), all: this.length }[size]
    const left = new Uint8Array(end)
    left.set(before.subarray(0, end))
    for (const sector of kept) {
      const from = sector * sectorBytes
      if (from < end)
        left.set(this.bytes.subarray(from, Math.min(from + sectorBytes, this.length, end)), from)
    }
    return this.withoutLost(left)
  }

  private withoutLost(bytes: Uint8Array): Uint8Array {
    for (const [from, to] of this.lost) bytes.fill(0, from, to)
    return bytes
  }
}
