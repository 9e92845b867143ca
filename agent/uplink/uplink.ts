/**
 * uplink: brings the lines of the store to the broker, and knows which of them are safe at the far end.
 *
 * In: how far the store is safe (`safeUpTo`), a way to read lines of a range, retained messages to keep at the broker,
 * the collector's receipts, and the time with each `step`. Out: packs of at most a few hundred lines on the topic
 * `lines`, retained messages, the will; where every line number stands (safe, sent, safe away); faults and their end.
 * Assumed: the store is the only queue. At most a window of packs and three retained messages are with the client, so
 * an outage of any length costs no memory. `step` and all other calls return at once; what they start goes on by itself
 * with the time of the last step, and `settled` resolves when nothing is in flight.
 * Refused: a pack that cannot be built or that the broker refuses is set aside, counted and told; the others go on.
 * Order: alerts, other retained messages, the newest lines, then what is missing, oldest first.
 */
import type {
  Broker,
  BrokerSession,
  ColumnSet,
  Fault,
  FaultCode,
  Message,
  MonoSeconds,
  Outcome,
  Random,
  StageCounts,
} from '../terms/terms.js'
import { Backoff, type BackoffBounds } from './backoff.js'
import { Departures } from './departures.js'
import { Ledger, type LedgerOptions } from './ledger.js'
import type { PackForm, PackLine } from './pack.js'
import { readReceipt } from './receipt.js'
import { RetainedMessages } from './retained.js'
import { topicOf } from './topics.js'

export { Backoff, type BackoffBounds } from './backoff.js'
export type { LedgerState } from './ledger.js'
export { compressedMark, makePack, type PackContent, type PackForm, type PackLine } from './pack.js'
export { mostRanges, readReceipt, receiptJson, receiptOf, type Receipt } from './receipt.js'
export { linesOfGroup, stationOf, topicFormat, topicOf } from './topics.js'
export { readPack, usualPackLimits, type Pack, type PackLimits, type UnpackedLine } from './unpack.js'

export interface UplinkOptions extends LedgerOptions, PackForm {
  readonly group: string
  readonly station: string
  readonly packEverySeconds: number
  /** 'kept': the connection stays; 'per-pack': it is made for each pack time and ended after. */
  readonly connection: 'kept' | 'per-pack'
  readonly backoff: BackoffBounds
  /** MQTT 5: the will waits so long for the station to come back. */
  readonly willDelaySeconds: number
}

export const usualUplink = {
  encoding: 'cbor',
  compress: true,
  mostPackLines: 240,
  receipts: 'required',
  resendAfterSeconds: 7200,
  packEverySeconds: 3600,
  connection: 'kept',
  backoff: { firstSeconds: 5, mostSeconds: 900 },
  willDelaySeconds: 120,
} as const

export interface LineSource {
  readonly storeId: string
  /** The lines whose numbers are within from and to, in order. */
  lines(from: number, to: number): Promise<Outcome<readonly PackLine[]>>
  columnSet(id: string): ColumnSet | undefined
}

export interface UplinkPorts {
  readonly broker: Broker
  readonly store: LineSource
  readonly random: Random
  /** First eight hex digits of the boot id. */
  readonly boot: string
  readonly faults: { raise(fault: Fault): void; clear(...codes: FaultCode[]): void }
}

/** As health shows it. */
export interface UplinkStatus {
  readonly state: 'apart' | 'connecting' | 'connected' | 'ending'
  readonly for_s: number
  readonly next_attempt_s?: number
  readonly failures: number
  readonly last_fault?: Fault
  /** Numbers: safe here up to, sent and waiting for a receipt (count), safe away without a gap up to. */
  readonly safe: number
  readonly sent: number
  readonly safe_away: number
  /** Lines not sent yet. */
  readonly backlog: number
  readonly lines: StageCounts
  readonly packs_acknowledged: number
  readonly retained_waiting: number
  readonly retained_refused: number
  readonly bytes_sent: number
  readonly bytes_received: number
  readonly receipt_age_s?: number
}

/** With the client at once, beside the packs. */
const mostRetainedInFlight = 3
/** After so many publishes in a row without an answer the connection is given up. */
const mostSilent = 3

const unanswered: ReadonlySet<FaultCode> = new Set<FaultCode>(['broker-silent', 'link-lost'])

const linkFaults = ['broker-unreachable', 'broker-refused-login', 'broker-certificate', 'link-lost'] as const

export class Uplink {
  private readonly ledger: Ledger
  private readonly backoff: Backoff
  private readonly retained = new RetainedMessages()
  private readonly departures: Departures
  private readonly inFlight = new Set<Promise<unknown>>()
  private session: BrokerSession | undefined
  private state: UplinkStatus['state'] = 'apart'
  private now = 0 as MonoSeconds
  private stateSince = 0 as MonoSeconds
  private startNumber = 0
  private dueAt: MonoSeconds | undefined
  private wanted = false
  private retainedInFlight = 0
  private silent = 0
  private stopping = false
  private lastFault: Fault | undefined
  private receiptAt: MonoSeconds | undefined
  private endedBytes = { sent: 0, received: 0 }

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
  ) {
    this.ledger = new Ledger(ports.store.storeId, options)
    this.backoff = new Backoff(options.backoff, ports.random)
    this.departures = new Departures(options, ports, this.ledger)
  }

  /** Before the first step. @param state what `checkpoint` gave before, or anything. @param session rises with each start. */
  restore(state: unknown, session: number): void {
    this.ledger.restore(state, this.now)
    this.startNumber = session
  }

  checkpoint(): unknown {
    return this.ledger.save()
  }

  /** Lines up to this number are synced and may be sent. */
  safeUpTo(seq: number): void {
    this.ledger.safeUpTo(seq)
  }

  /** Keeps a retained message at the broker; the newest of each replaces the one before. */
  retain(what: string, payload: Uint8Array): void {
    this.retained.put(what, payload)
    if (this.session) this.advance()
  }

  /** Something should not wait for the next pack time: connects now, unless a refused attempt forbids it yet. */
  hurry(): void {
    this.wanted = true
    this.ledger.markPresent()
    if (this.dueAt !== undefined) this.advance()
  }

  /** Time goes on; call it at least once a minute. Returns at once. */
  step(now: MonoSeconds): void {
    this.now = now
    if (this.dueAt === undefined || now >= this.dueAt) this.packTime(now)
    if (this.ledger.resendOverdue(now)) this.tellMissingReceipt()
    this.advance()
  }

  private packTime(now: MonoSeconds): void {
    this.dueAt = (now + this.options.packEverySeconds) as MonoSeconds
    this.wanted = true
    this.ledger.markPresent()
    // Said again each time: a will that was late may have overwritten it.
    this.retained.put(
      'alive',
      this.alive('running', { next_contact_s: this.options.packEverySeconds }),
      'again',
    )
  }

  private alive(state: 'running' | 'stopped' | 'lost', more: Record<string, unknown> = {}): Uint8Array {
    const message = { v: 1, state, boot: this.ports.boot, session: this.startNumber, ...more }
    return new TextEncoder().encode(JSON.stringify(message))
  }

  // ---- what to do next ------------------------------------------------------------------------------------------------

  private advance(): void {
    if (this.stopping || this.state === 'connecting' || this.state === 'ending') return
    if (!this.session) return this.connectIfWanted()
    while (this.retainedInFlight < mostRetainedInFlight && this.publishRetained());
    if (this.retained.waiting === 0) while (this.departures.mayStart && this.publishPack());
    if (this.options.connection === 'per-pack' && this.idle) this.endWell()
  }

  private get idle(): boolean {
    return this.retainedInFlight === 0 && this.departures.underway === 0 && this.retained.waiting === 0
  }

  private connectIfWanted(): void {
    const wanted = this.options.connection === 'kept' || this.wanted
    if (!wanted || !this.backoff.mayTry(this.now)) return
    this.enter('connecting')
    this.track(this.connect())
  }

  private async connect(): Promise<void> {
    const link: { session?: BrokerSession; lost?: string } = {}
    const connected = await this.ports.broker.connect({
      subscribe: this.options.receipts === 'required' ? [this.topic('receipt')] : [],
      will: {
        topic: this.topic('alive'),
        payload: this.alive('lost'),
        retain: true,
        delaySeconds: this.options.willDelaySeconds,
      },
      events: {
        onMessage: (message) => this.takeMessage(message),
        onLost: (detail) => {
          link.lost = detail
          if (link.session) this.lost(link.session, detail)
        },
      },
    })
    if (!connected.ok) return this.failed(connected.fault)
    link.session = connected.value
    this.session = link.session
    this.connected()
    if (link.lost !== undefined) this.lost(link.session, link.lost)
  }

  private connected(): void {
    if (this.stopping) return void this.track(this.endSession())
    this.enter('connected')
    this.ports.faults.clear(...linkFaults)
    this.silent = 0
    this.ledger.markPresent()
    this.retained.connected()
    this.advance()
  }

  private failed(fault: Fault): void {
    this.enter('apart')
    this.backoff.failed(this.now)
    this.raise(fault)
    const others = linkFaults.filter((code) => code !== fault.code)
    this.ports.faults.clear(...others)
  }

  private lost(session: BrokerSession, detail: string): void {
    if (this.session !== session) return
    this.backoff.lasted(this.now - this.stateSince)
    this.backoff.failed(this.now)
    this.forgetSession()
    this.raise({ code: 'link-lost', detail: `${this.ports.broker.name}: ${detail}` })
  }

  private forgetSession(): void {
    const bytes = this.session?.bytes() ?? { sent: 0, received: 0 }
    this.endedBytes.sent += bytes.sent
    this.endedBytes.received += bytes.received
    this.session = undefined
    this.enter('apart')
  }

  private endWell(): void {
    this.wanted = false
    this.backoff.wentWell()
    this.track(this.endSession())
  }

  private async endSession(farewell?: Message): Promise<void> {
    const session = this.session
    if (!session) return
    this.forgetSession()
    this.enter('ending')
    await session.end(farewell)
    this.enter('apart')
    this.advance()
  }

  private enter(state: UplinkStatus['state']): void {
    this.state = state
    this.stateSince = this.now
  }

  // ---- publishing -----------------------------------------------------------------------------------------------------

  private publishRetained(): boolean {
    const message = this.retained.next()
    const session = this.session
    if (!message || !session) return false
    this.retainedInFlight++
    this.track(
      session.publish(this.topic(message.what), message.payload, { retain: true }).then((answer) => {
        this.retainedInFlight--
        const refused = !answer.ok && answer.fault.code === 'broker-refused'
        this.retained.settled(
          message.what,
          message.payload,
          answer.ok ? 'sent' : refused ? 'refused' : 'again',
        )
        this.answered(session, answer)
      }),
    )
    return true
  }

  private publishPack(): boolean {
    const session = this.session
    if (!session) return false
    const flight = this.departures.start(session, this.now)
    if (flight) this.track(flight.then((answer) => this.answered(session, answer)))
    return flight !== undefined
  }

  /** One answer, or its absence; then on with what comes next. */
  private answered(session: BrokerSession, answer: Outcome<unknown>): void {
    if (answer.ok) this.answeredWell()
    else {
      if (answer.fault.code !== 'link-lost') this.raise(answer.fault)
      if (unanswered.has(answer.fault.code)) this.silent++
    }
    if (this.session === session && this.silent >= mostSilent) this.giveUp()
    else this.advance()
  }

  private answeredWell(): void {
    this.silent = 0
    this.ports.faults.clear('broker-silent')
    const { refused } = this.ledger.counts()
    if (refused['broker-refused'] === 0 && !this.retained.anyRefused)
      this.ports.faults.clear('broker-refused')
  }

  private giveUp(): void {
    this.backoff.failed(this.now)
    this.track(this.endSession())
  }

  private raise(fault: Fault): void {
    this.lastFault = fault
    this.ports.faults.raise(fault)
  }

  // ---- receipts -------------------------------------------------------------------------------------------------------

  private takeMessage(message: Message): void {
    if (message.topic !== this.topic('receipt')) return
    const receipt = readReceipt(message.payload, this.ports.store.storeId)
    if (!receipt) return
    this.receiptAt = this.now
    this.ledger.receipt(receipt)
    this.ports.faults.clear('receipt-missing')
  }

  private tellMissingReceipt(): void {
    const detail = `lines sent over ${this.options.resendAfterSeconds} s ago are sent again`
    this.raise({ code: 'receipt-missing', detail })
  }

  private topic(what: string): string {
    return topicOf(this.options.group, this.options.station, what)
  }

  // ---- for the station ------------------------------------------------------------------------------------------------

  /** Lines: taken = safe here; given = safe away; held = sent, in flight or waiting; refused = set aside. */
  counts(): StageCounts {
    return this.ledger.counts()
  }

  status(now: MonoSeconds): UplinkStatus {
    const { safe, sent, away, backlog } = this.ledger.standing()
    const { failures, nextAt } = this.backoff.standing
    const bytes = this.session?.bytes() ?? { sent: 0, received: 0 }
    return {
      state: this.state,
      for_s: Math.round(now - this.stateSince),
      ...(nextAt !== undefined && nextAt > now ? { next_attempt_s: Math.round(nextAt - now) } : {}),
      failures,
      ...(this.lastFault ? { last_fault: this.lastFault } : {}),
      safe,
      sent,
      safe_away: away,
      backlog,
      lines: this.ledger.counts(),
      packs_acknowledged: this.departures.acknowledged,
      retained_waiting: this.retained.waiting,
      retained_refused: this.retained.refused,
      bytes_sent: this.endedBytes.sent + bytes.sent,
      bytes_received: this.endedBytes.received + bytes.received,
      ...(this.receiptAt === undefined ? {} : { receipt_age_s: Math.round(now - this.receiptAt) }),
    }
  }

  /** True while a port operation is in flight. */
  get busy(): boolean {
    return this.inFlight.size > 0
  }

  async settled(): Promise<void> {
    while (this.busy) await Promise.all(this.inFlight)
  }

  private track(work: Promise<unknown>): void {
    const tracked: Promise<unknown> = work.finally(() => this.inFlight.delete(tracked))
    this.inFlight.add(tracked)
  }

  /** Says 'stopped' if there is a connection, and ends it. Bounded by the adapter; waits for nothing else. */
  async stop(now: MonoSeconds): Promise<void> {
    this.now = now
    this.stopping = true
    await this.endSession({ topic: this.topic('alive'), payload: this.alive('stopped'), retained: true })
  }
}
