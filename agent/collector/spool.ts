/**
 * Packs on the disk between the broker and the archives: of all stations in one file, so that one sync covers whatever came while
 * the sync before it ran, and nothing waits longer than for two of them. What the archives have is cut off again; what a run
 * before left is found by the next, and doubles are removed by identity as always.
 *
 * An entry: the letters `mps1`, length of the topic (u32), length of the payload (u32), CRC-32 over these eight bytes, topic and
 * payload (u32, all big-endian), topic, payload. Damaged bytes are passed over up to the next entry.
 */
import { crc32 } from 'node:zlib'
import { bad, done, good, type Disk, type Fault, type Outcome } from '../terms/terms.js'

/** A file of entries; it goes when none of them is needed any more. */
export interface Segment {
  readonly name: string
  readonly number: number
  bytes: number
  /** Entries that no archive has yet. */
  pending: number
}

export interface Spooled {
  readonly topic: string
  readonly payload: Uint8Array
  readonly place: Segment
}

interface Waiting {
  readonly bytes: Uint8Array
  readonly resolve: (outcome: Outcome<Segment>) => void
}

const magic = Buffer.from('mps1')
const headBytes = 16
const usualSegmentBytes = 1 << 20
const shape = /^packs-(\d{1,15})$/

export class Spool {
  private readonly segments = new Map<number, Segment>()
  private readonly waiting: Waiting[] = []
  private current: Segment
  private isBusy = false

  private constructor(
    private readonly disk: Disk,
    private readonly segmentBytes: number,
    lastNumber: number,
  ) {
    this.current = this.next(lastNumber)
  }

  /** @returns what a run before left, oldest first. Faults: disk-*. */
  static async open(
    disk: Disk,
    segmentBytes = usualSegmentBytes,
  ): Promise<Outcome<{ readonly spool: Spool; readonly left: readonly Spooled[] }>> {
    const listed = await disk.list('')
    if (!listed.ok) return listed
    const numbers = listed.value.flatMap((name) => shape.exec(name)?.[1] ?? []).map(Number)
    numbers.sort((a, b) => a - b)
    const spool = new Spool(disk, segmentBytes, numbers.at(-1) ?? 0)
    const left: Spooled[] = []
    for (const number of numbers) {
      const found = await spool.find(number)
      if (!found.ok) return found
      left.push(...found.value)
    }
    spool.go()
    return good({ spool, left })
  }

  private async find(number: number): Promise<Outcome<Spooled[]>> {
    const name = `packs-${number}`
    const size = await this.disk.size(name)
    const read = size.ok ? await this.disk.read(name, 0, size.value) : size
    if (!read.ok) return read
    const place: Segment = { name, number, bytes: read.value.length, pending: 0 }
    const found = [...entriesIn(Buffer.from(read.value))].map((entry) => ({ ...entry, place }))
    place.pending = found.length
    this.segments.set(number, place)
    return good(found)
  }

  /** Resolves when the pack would survive a power cut, or with the fault (disk-*) that keeps it from being there. */
  add(topic: string, payload: Uint8Array): Promise<Outcome<Segment>> {
    return new Promise((resolve) => {
      this.waiting.push({ bytes: entryOf(topic, payload), resolve })
      this.go()
    })
  }

  /** One entry of each place is in an archive, synced. */
  release(places: readonly Segment[]): void {
    for (const place of places) place.pending--
    this.go()
  }

  private go(): void {
    if (this.isBusy) return
    this.isBusy = true
    void this.work()
  }

  private async work(): Promise<void> {
    for (;;) {
      const empty = this.waiting.length > 0 ? undefined : this.unneeded()
      if (this.waiting.length > 0) await this.writeGroup()
      else if (empty) await this.clear(empty)
      else break
    }
    this.isBusy = false
  }

  private next(after: number): Segment {
    const segment = { name: `packs-${after + 1}`, number: after + 1, bytes: 0, pending: 0 }
    this.segments.set(segment.number, segment)
    return segment
  }

  private async writeGroup(): Promise<void> {
    const group = this.waiting.splice(0)
    const segment = this.current
    const fault = await this.write(segment, Buffer.concat(group.map(({ bytes }) => bytes)))
    if (!fault) segment.pending += group.length
    // What a failed write left in the file is unknown: nothing is written behind it.
    if (fault || segment.bytes >= this.segmentBytes) this.current = this.next(segment.number)
    for (const { resolve } of group) resolve(fault ? { ok: false, fault } : good(segment))
  }

  private async write(segment: Segment, bytes: Uint8Array): Promise<Fault | undefined> {
    const isNew = segment.bytes === 0
    const written = await this.disk.append(segment.name, bytes)
    segment.bytes += bytes.length
    if (!written.ok) return written.fault
    if (written.value < bytes.length) return bad('disk-full', `${this.disk.name}/${segment.name}`).fault
    const synced = await this.disk.datasync(segment.name)
    if (!synced.ok) return synced.fault
    const named = isNew ? await this.disk.syncFolder('') : done
    return named.ok ? undefined : named.fault
  }

  private unneeded(): Segment | undefined {
    for (const segment of this.segments.values())
      if (segment.pending === 0 && (segment !== this.current || segment.bytes > 0)) return segment
    return undefined
  }

  /** Not synced: what comes back after a power cut is taken once more, as doubles. */
  private async clear(segment: Segment): Promise<void> {
    if (segment !== this.current) {
      this.segments.delete(segment.number)
      await this.disk.remove(segment.name)
      return
    }
    const cut = await this.disk.truncate(segment.name, 0)
    if (cut.ok) segment.bytes = 0
    else this.current = this.next(segment.number)
  }
}

function entryOf(topic: string, payload: Uint8Array): Uint8Array {
  const name = Buffer.from(topic)
  const bytes = Buffer.allocUnsafe(headBytes + name.length + payload.length)
  magic.copy(bytes)
  bytes.writeUInt32BE(name.length, 4)
  bytes.writeUInt32BE(payload.length, 8)
  name.copy(bytes, headBytes)
  bytes.set(payload, headBytes + name.length)
  bytes.writeUInt32BE(crcOf(bytes), 12)
  return bytes
}

const crcOf = (entry: Buffer): number => crc32(entry.subarray(headBytes), crc32(entry.subarray(4, 12)))

function* entriesIn(bytes: Buffer): Generator<Omit<Spooled, 'place'>> {
  let at = bytes.indexOf(magic)
  while (at >= 0 && at + headBytes <= bytes.length) {
    const nameEnd = headBytes + bytes.readUInt32BE(at + 4)
    const length = nameEnd + bytes.readUInt32BE(at + 8)
    const entry = bytes.subarray(at, at + length)
    const isWhole = entry.length === length && crcOf(entry) === entry.readUInt32BE(12)
    if (isWhole) yield { topic: entry.toString('utf8', headBytes, nameEnd), payload: entry.subarray(nameEnd) }
    at = bytes.indexOf(magic, isWhole ? at + length : at + 1)
  }
}
