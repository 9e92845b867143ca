/** The archives that a collector has open, one a store, and what of each is on the disk. */
import { bad, done, good, type Outcome } from '../terms/terms.js'
import { mostReceiptStores, receiptOf, type Receipt } from '../uplink/uplink.js'
import type {
  AddedLines,
  Archive,
  CollectorOptions,
  CollectorPorts,
  StoreOfLines,
  TakenLines,
} from './options.js'

export interface Kept extends StoreOfLines {
  readonly archive: Archive
  /** Highest number that came. */
  highest: number
  /** As of the last sync. */
  receipt: Receipt
}

export class Shelf {
  /** By station and store id. */
  private readonly kept = new Map<string, Kept>()
  /** The stores of each station, the one used last at the end. */
  private readonly ofStation = new Map<string, Set<Kept>>()
  private readonly waiting = new Set<Kept>()

  constructor(
    private readonly options: CollectorOptions,
    private readonly ports: CollectorPorts,
  ) {}

  /** Stores of which lines wait for `sync`. */
  get unsynced(): number {
    return this.waiting.size
  }

  async of({ group, station, storeId }: StoreOfLines & { group: string }): Promise<Outcome<Kept>> {
    const key = `${station}/${storeId}`
    const known = this.kept.get(key)
    if (known) return good(this.used(known))
    if (this.kept.size >= this.options.mostStores)
      return bad('pack-refused', `more than ${this.kept.size} stores`)
    const opened = await this.ports.openArchive({ group, station, storeId })
    if (!opened.ok) return opened
    const ranges = opened.value.ranges()
    const highest = ranges.ranges().at(-1)?.[1] ?? 0
    const kept = { station, storeId, archive: opened.value, highest, receipt: receiptOf(ranges) }
    this.kept.set(key, kept)
    return good(this.used(kept))
  }

  private used(kept: Kept): Kept {
    const stores = this.ofStation.get(kept.station) ?? new Set()
    this.ofStation.set(kept.station, stores)
    stores.delete(kept)
    stores.add(kept)
    return kept
  }

  async add(kept: Kept, { lines, sets }: TakenLines): Promise<Outcome<AddedLines>> {
    const added = await kept.archive.add(lines, sets)
    if (added.ok) this.waiting.add(kept)
    return added
  }

  async sync(onSynced: (station: string) => void): Promise<Outcome<void>> {
    for (const kept of this.waiting) {
      const synced = await kept.archive.sync()
      if (!synced.ok) return synced
      this.waiting.delete(kept)
      kept.receipt = receiptOf(kept.archive.ranges())
      onSynced(kept.station)
    }
    return done
  }

  stations(): Iterable<string> {
    return this.ofStation.keys()
  }

  /** Of the stores of a station, those used last. */
  receipts(station: string): Map<string, Receipt> {
    const stores = [...(this.ofStation.get(station) ?? [])].slice(-mostReceiptStores)
    return new Map(stores.map(({ storeId, receipt }) => [storeId, receipt]))
  }
}
