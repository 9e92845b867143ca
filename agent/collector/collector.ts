/**
 * collector: the far end. It takes the packs of a group's stations from the broker, keeps their lines, and says so.
 *
 * In: packs on `motepost/1/<group>/<station>/lines`, what stations say of themselves (`health`, `alive`, `averages`, `alerts`),
 * the time with each `step`. Out: lines in an archive a store, and a retained receipt for each station, published only after
 * the archive was synced; how each station stands (`status`); faults and counts.
 * Assumed: anything may arrive twice, in any order, and from anybody who may publish. The broker is told that a pack came when it
 * is in the spool (`intake.ts`), which is read again after a kill. What is lost all the same (a disk that took nothing) no receipt
 * names, and the station sends it again.
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
import { Link, linesOfGroup, readPack, receiptJson, stationOf, type Pack } from '../uplink/uplink.js'
import { Intake, type Arrived } from './intake.js'
import { usualRules } from './judge.js'
import type { AddedLines, CollectorOptions, CollectorPorts, StoreOfLines, TakenLines } from './options.js'
import { reportsOfGroup } from './reports.js'
import { LineCounts } from './line-counts.js'
import { Receipts } from './receipts.js'
import { Shelf } from './shelf.js'
import { statusOf } from './status.js'
import { StationsWatch, type Judged } from './watch.js'

export * from './options.js'
export * from './standing.js'
export { GroupAlerts, type GroupAlertOptions, type GroupAlertPorts } from './group-alerts.js'
export { spoolRefused } from './intake.js'
export { Spool } from './spool.js'
export { judge, usualRules, type GroupSeen, type JudgeRules } from './judge.js'
export type { StationSeen } from './seen.js'
export { twinWindowSeconds } from './twin-watch.js'
export type { Judged } from './watch.js'

/** Packs between two syncs while many wait. */
const packsPerSync = 32
const diskRestSeconds = 60
/** What was refused is told for so long after the last of it. */
const refusedToldSeconds = 86_400

export class Collector {
  private readonly link: Link
  private readonly inFlight = new InFlight()
  private readonly intake: Intake
  private readonly shelf: Shelf
  private readonly receipts: Receipts
  private working: Promise<void> | undefined
  private restsUntil = -Infinity as MonoSeconds
  private stopping = false
  private readonly watch: StationsWatch
  private twinsTold = ''
  private refusedAt: MonoSeconds | undefined
  readonly lines = new LineCounts()

  constructor(
    private readonly options: CollectorOptions,
    private readonly ports: CollectorPorts,
  ) {
    this.shelf = new Shelf(options, ports)
    this.intake = new Intake(options, ports.spooled, {
      arrived: () => this.work(),
      now: () => this.link.now,
      track: (work) => this.inFlight.track(work),
      faults: ports.faults,
    })
    this.watch = new StationsWatch(
      { group: options.group, mostStations: options.mostStores, rules: options.rules ?? usualRules },
      ports.utc ?? (() => undefined),
      ports.suspicions,
      ports.roll,
    )
    this.receipts = new Receipts(
      options.group,
      ports.faults,
      (work) => this.inFlight.track(work),
      (station) => this.receipt(station),
    )
    this.link = new Link(ports.broker, options.backoff, ports.random, {
      request: () => ({ subscribe: [linesOfGroup(options.group), ...reportsOfGroup(options.group)] }),
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
    this.watch.step(now, this.link.session !== undefined)
    this.tellTwins()
    this.forgetRefused()
    this.work()
    this.receipts.tell(this.link.session)
  }

  /** Both stores are kept whole; who reads the receipts and faults learns of it. */
  private tellTwins(): void {
    const words = this.watch.twinsWords(this.link.now)
    if (words === this.twinsTold) return
    this.twinsTold = words
    if (words === '') this.ports.faults.clear('store-twins')
    else this.ports.faults.raise({ code: 'store-twins', detail: words })
    this.receipts.due(this.shelf.stations())
  }

  private count(store: StoreOfLines, added: AddedLines): void {
    this.lines.take(store, added, this.ports.faults, (detail) => this.tellRefused(detail))
  }

  private tellRefused(detail: string): void {
    this.refusedAt = this.link.now
    this.ports.faults.raise({ code: 'pack-refused', detail })
  }

  private forgetRefused(): void {
    if (this.refusedAt === undefined || this.link.now < addSeconds(this.refusedAt, refusedToldSeconds)) return
    this.refusedAt = undefined
    this.ports.faults.clear('pack-refused')
  }

  private connected(): void {
    if (this.stopping) return this.inFlight.track(this.link.end(true))
    this.watch.step(this.link.now, true)
    // A broker that was restarted may have forgotten.
    this.receipts.due(this.shelf.stations())
    this.receipts.tell(this.link.session)
  }

  // ---- in -------------------------------------------------------------------------------------------------------------

  private receive(message: Message): Promise<void> | void {
    if (!message.topic.endsWith('/lines')) return this.hear(message)
    this.intake.taken++
    if (this.intake.isFull) return this.refuse('queue-full')
    if (message.payload.length > this.options.limits.bytes)
      return this.refuse('too-long', `${message.topic}: ${message.payload.length} bytes`, message.topic)
    return this.intake.take(message.topic, message.payload)
  }

  private hear(message: Message): void {
    const refused = this.watch.receive(message, this.link.now)
    if (refused !== undefined) this.tellRefused(`${message.topic.slice(0, 120)}: ${refused}`)
  }

  /** @param detail where it is the sender's fault. */
  private refuse(reason: string, detail?: string, topic?: string): void {
    this.intake.refuse(reason)
    if (topic !== undefined)
      this.watch.refusedPack(topic, reason, stationOf(topic, this.options.group, 'lines'))
    if (detail !== undefined) this.tellRefused(detail)
  }

  private work(): void {
    if (this.working || this.link.now < this.restsUntil) return
    if (this.intake.length === 0 && this.shelf.unsynced === 0) return
    this.working = this.drain().finally(() => {
      this.working = undefined
    })
    this.inFlight.track(this.working)
  }

  private async drain(): Promise<void> {
    while (this.intake.length > 0 || this.shelf.unsynced > 0) {
      for (let n = 0; n < packsPerSync && this.intake.first; n++) {
        const stored = await this.store(this.intake.first)
        if (!stored.ok) return this.rest(stored.fault)
        this.intake.shift()
      }
      const synced = await this.sync()
      if (!synced.ok) return this.rest(synced.fault)
      this.ports.faults.clear('disk-full', 'disk-read-only', 'disk-error')
      this.receipts.tell(this.link.session)
    }
  }

  /** The disk does not take it now: the pack stays first in the queue. */
  private rest(fault: Fault): void {
    this.restsUntil = addSeconds(this.link.now, diskRestSeconds)
    this.intake.rest()
    this.ports.faults.raise(fault)
  }

  private async store({ topic, payload }: Arrived): Promise<Outcome<void>> {
    const pack = this.unpack(topic, payload)
    if (!pack) return done
    const added = await this.keep(pack)
    if (!added.ok && faultCatalogue[added.fault.code].transient) return added
    if (added.ok) this.intake.given++
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
    const grew = highest > kept.value.highest
    this.watch.pack(pack.station, pack.storeId, added.value.conflicts.length, grew, this.link.now)
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
    this.receipts.tell(this.link.session)
    return added
  }

  private unpack(topic: string, payload: Uint8Array): Pack | undefined {
    const pack = readPack(payload, this.options.limits)
    if (!pack.ok) {
      this.refuse(pack.fault.detail.split(':')[0], `${topic}: ${pack.fault.detail}`, topic)
      return undefined
    }
    const { group, station } = pack.value
    if (group === this.options.group && station === stationOf(topic, group, 'lines')) return pack.value
    this.refuse('wrong-topic', `${topic}: from ${group}/${station}`, topic)
    return undefined
  }

  private async sync(): Promise<Outcome<void>> {
    const synced = await this.shelf.sync((station) => this.receipts.due([station]))
    if (synced.ok) this.intake.synced()
    return synced
  }

  private receipt(station: string): Uint8Array {
    const twins = this.watch.twinsOf(station, this.link.now)
    return receiptJson(this.shelf.receipts(station), twins?.storeIds)
  }

  // ---- for its owner --------------------------------------------------------------------------------------------------

  /** Packs. */
  counts(): StageCounts {
    return this.intake.counts()
  }

  /** Before the first step. @param status what `status` gave before a restart, or anything */
  restore(status: unknown): void {
    this.watch.restore(status)
  }

  judged(now: MonoSeconds): readonly Judged[] {
    return this.watch.judged(now)
  }

  /** How each station stands, and the collector itself: JSON. @param faults of the collector */
  status(now: MonoSeconds, faults: readonly Fault[] = []): Record<string, unknown> {
    const { watch, state: link, lines } = this
    return statusOf({
      ...{ group: this.options.group, now: watch.at(now), link, lines: { ...lines }, faults },
      ...{ packs: this.counts(), reports: watch.counts() },
      ...{ refusals: watch.refusals, judged: watch.judged(now) },
    })
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
    await this.intake.settled()
    await this.working
    await this.link.end(true)
  }
}
