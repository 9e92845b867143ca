/**
 * collector: the far end. It takes the packs of a group's stations from the broker, keeps their lines, and says so.
 *
 * In: packs on `motepost/1/<group>/<station>/lines`, the time with each `step`. Out: lines in an archive a store, and a
 * retained receipt for each station, published only after the archive was synced; faults and counts.
 * Assumed: anything may arrive twice, in any order, and from anybody who may publish. A pack counts as taken when the
 * broker was told so; if it is lost after that, no receipt names its lines and the station sends them again.
 * Refused: packs that `readPack` refuses, or whose station is not that of their topic; what does not fit the queue.
 * A line that came before with the same text is a double and counted; with another text it is a conflict: the archive
 * keeps it aside, a fault tells it, and the receipt stays as it was. Lines of a copy (`take`) go the same way. Two stores of one
 * station that grow by turns are a fault, and the receipt names them (`growing`); the archive keeps both.
 */
import {
  addSeconds,
  done,
  faultCatalogue,
  InFlight,
  type Fault,
  type Message,
  type MonoSeconds,
  type Outcome,
  type StageCounts,
} from '../terms/terms.js'
import { Link, linesOfGroup, readPack, receiptJson, stationOf, topicOf, type Pack } from '../uplink/uplink.js'
import type { AddedLines, CollectorOptions, CollectorPorts, StoreOfLines, TakenLines } from './options.js'
import { Shelf } from './shelf.js'
import { TwinWatch, twinWords } from './twin-watch.js'

export {
  usualCollector,
  type AddedLines,
  type Archive,
  type ArrivedLine,
  type CollectorOptions,
  type CollectorPorts,
  type StoreOfLines,
  type TakenLines,
} from './options.js'
export { twinWindowSeconds } from './twin-watch.js'

/** Packs between two syncs while many wait. */
const packsPerSync = 32
const diskRestSeconds = 60
const mostReceiptsInFlight = 8

interface Waiting {
  readonly topic: string
  readonly payload: Uint8Array
}

export class Collector {
  private readonly link: Link
  private readonly inFlight = new InFlight()
  private readonly queue: Waiting[] = []
  private queuedBytes = 0
  private readonly shelf: Shelf
  /** Stations whose receipt is not yet, or not any more, what the broker has. */
  private readonly toTell = new Set<string>()
  private working: Promise<void> | undefined
  private receiptsInFlight = 0
  private restsUntil = -Infinity as MonoSeconds
  private stopping = false
  private readonly twins = new TwinWatch()
  private twinsTold = ''
  private readonly packs = { taken: 0, given: 0, refused: {} as Record<string, number> }
  readonly lines = { added: 0, doubles: 0, conflicts: 0, refused: 0 }

  constructor(
    private readonly options: CollectorOptions,
    private readonly ports: CollectorPorts,
  ) {
    this.shelf = new Shelf(options, ports)
    this.link = new Link(ports.broker, options.backoff, ports.random, {
      request: () => ({ subscribe: [linesOfGroup(options.group)] }),
      connected: () => this.connected(),
      message: (message) => this.receive(message),
      faults: ports.faults,
    })
  }

  /** Time goes on; call it every few seconds. Returns at once. */
  step(now: MonoSeconds): void {
    this.link.now = now
    if (this.stopping) return
    const attempt = this.link.tryConnect()
    if (attempt) this.inFlight.track(attempt)
    this.tellTwins()
    this.work()
    this.tellReceipts()
  }

  /** Both stores are kept whole; who reads the receipts and faults learns of it. */
  private tellTwins(): void {
    const standing = this.twins.standing(this.link.now)
    const words = twinWords(standing)
    if (words === this.twinsTold) return
    this.twinsTold = words
    if (words === '') this.ports.faults.clear('store-twins')
    else this.ports.faults.raise({ code: 'store-twins', detail: words })
    for (const station of this.shelf.stations()) this.toTell.add(station)
  }

  private connected(): void {
    if (this.stopping) return this.inFlight.track(this.link.end(true))
    // A broker that was restarted may have forgotten.
    for (const station of this.shelf.stations()) this.toTell.add(station)
    this.tellReceipts()
  }

  // ---- in -------------------------------------------------------------------------------------------------------------

  private receive(message: Message): void {
    this.packs.taken++
    if (this.queue.length >= this.options.mostWaiting || this.queuedBytes >= this.options.mostWaitingBytes)
      return this.refuse('queue-full')
    if (message.payload.length > this.options.limits.bytes)
      return this.refuse('too-long', `${message.topic}: ${message.payload.length} bytes`)
    this.queue.push({ topic: message.topic, payload: message.payload })
    this.queuedBytes += message.payload.length
    this.work()
  }

  /** @param detail where it is the sender's fault. */
  private refuse(reason: string, detail?: string): void {
    this.packs.refused[reason] = (this.packs.refused[reason] ?? 0) + 1
    if (detail !== undefined) this.ports.faults.raise({ code: 'pack-refused', detail })
  }

  private work(): void {
    if (this.working || this.link.now < this.restsUntil) return
    if (this.queue.length === 0 && this.shelf.unsynced === 0) return
    this.working = this.drain().finally(() => {
      this.working = undefined
    })
    this.inFlight.track(this.working)
  }

  private async drain(): Promise<void> {
    while (this.queue.length > 0 || this.shelf.unsynced > 0) {
      for (let n = 0; n < packsPerSync && this.queue.length > 0; n++) {
        const stored = await this.store(this.queue[0])
        if (!stored.ok) return this.rest(stored.fault)
        this.queuedBytes -= this.queue.shift()!.payload.length
      }
      const synced = await this.sync()
      if (!synced.ok) return this.rest(synced.fault)
      this.ports.faults.clear('disk-full', 'disk-read-only', 'disk-error')
      this.tellReceipts()
    }
  }

  /** The disk does not take it now: the pack stays first in the queue. */
  private rest(fault: Fault): void {
    this.restsUntil = addSeconds(this.link.now, diskRestSeconds)
    this.ports.faults.raise(fault)
  }

  private async store({ topic, payload }: Waiting): Promise<Outcome<void>> {
    const pack = this.unpack(topic, payload)
    if (!pack) return done
    const added = await this.keep(pack)
    if (!added.ok && faultCatalogue[added.fault.code].transient) return added
    if (added.ok) this.packs.given++
    else {
      // One store that cannot be kept does not hold up the others.
      this.refuse(added.fault.code)
      this.ports.faults.raise(added.fault)
    }
    return done
  }

  private async keep(pack: Pack): Promise<Outcome<void>> {
    const kept = await this.shelf.of(pack)
    if (!kept.ok) return kept
    const added = await this.shelf.add(kept.value, pack)
    if (!added.ok) return added
    this.count(pack, added.value)
    const highest = Math.max(kept.value.highest, ...pack.lines.map(({ seq }) => seq))
    if (highest > kept.value.highest) this.twins.grew(pack.station, pack.storeId, this.link.now)
    kept.value.highest = highest
    return done
  }

  /**
   * Lines that came another way than the broker, from a stick say: what is new is kept and synced, receipts name it. Faults: as
   * those of an archive; the same lines may then be given again.
   */
  async take(store: StoreOfLines, lines: TakenLines): Promise<Outcome<AddedLines>> {
    while (this.working) await this.working
    const taken = this.takeNow(store, lines)
    const over = (): void => void (this.working = undefined)
    this.working = taken.then(over, over)
    this.inFlight.track(this.working)
    return taken
  }

  private async takeNow(store: StoreOfLines, lines: TakenLines): Promise<Outcome<AddedLines>> {
    const kept = await this.shelf.of({ group: this.options.group, ...store })
    if (!kept.ok) return kept
    const added = await this.shelf.add(kept.value, lines)
    if (!added.ok) return added
    this.count(store, added.value)
    const synced = await this.sync()
    if (!synced.ok) return synced
    this.tellReceipts()
    return added
  }

  private unpack(topic: string, payload: Uint8Array): Pack | undefined {
    const pack = readPack(payload, this.options.limits)
    if (!pack.ok) {
      this.refuse(pack.fault.detail.split(':')[0], `${topic}: ${pack.fault.detail}`)
      return undefined
    }
    const { group, station } = pack.value
    if (group === this.options.group && station === stationOf(topic, group, 'lines')) return pack.value
    this.refuse('wrong-topic', `${topic}: from ${group}/${station}`)
    return undefined
  }

  private count({ station, storeId }: StoreOfLines, added: AddedLines): void {
    const { conflicts, refused } = added
    this.lines.added += added.added
    this.lines.doubles += added.doubles
    this.lines.conflicts += conflicts.length
    this.lines.refused += refused
    const where = `${station}, store ${storeId}`
    const which =
      conflicts.length === 1 ? `line ${conflicts[0]}` : `${conflicts.length} lines from ${conflicts[0]}`
    if (conflicts.length > 0)
      this.ports.faults.raise({ code: 'identity-conflict', detail: `${where}, ${which}` })
    if (refused > 0)
      this.ports.faults.raise({ code: 'pack-refused', detail: `${where}: ${refused} lines cannot be kept` })
  }

  private async sync(): Promise<Outcome<void>> {
    return this.shelf.sync((station) => this.toTell.add(station))
  }

  // ---- receipts -------------------------------------------------------------------------------------------------------

  private tellReceipts(): void {
    const { session } = this.link
    if (!session) return
    for (const station of this.toTell) {
      if (this.receiptsInFlight >= mostReceiptsInFlight) return
      this.receiptsInFlight++
      this.toTell.delete(station)
      const topic = topicOf(this.options.group, station, 'receipt')
      this.inFlight.track(
        session.publish(topic, this.receipt(station), { retain: true }).then((answer) => {
          this.receiptsInFlight--
          this.receiptAnswered(station, answer)
        }),
      )
    }
  }

  private receiptAnswered(station: string, answer: Outcome<void>): void {
    if (answer.ok) {
      this.ports.faults.clear('broker-refused', 'broker-silent')
      return this.tellReceipts()
    }
    if (answer.fault.code === 'broker-silent') this.toTell.add(station)
    if (answer.fault.code !== 'link-lost') this.ports.faults.raise(answer.fault)
  }

  private receipt(station: string): Uint8Array {
    const twins = this.twins.standing(this.link.now).find((one) => one.station === station)
    return receiptJson(this.shelf.receipts(station), twins?.storeIds)
  }

  // ---- for its owner --------------------------------------------------------------------------------------------------

  /** Packs. */
  counts(): StageCounts {
    return { ...this.packs, refused: { ...this.packs.refused }, held: this.queue.length }
  }

  get state(): string {
    return this.link.state
  }

  get busy(): boolean {
    return this.inFlight.any
  }

  settled(): Promise<void> {
    return this.inFlight.settled()
  }

  /** Stores what has come, says what was stored, and ends the connection without waiting for answers. */
  async stop(): Promise<void> {
    this.stopping = true
    await this.working
    await this.link.end(true)
  }
}
