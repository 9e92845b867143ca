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
import {
  addSeconds,
  InFlight,
  type BrokerSession,
  type Fault,
  type FaultCode,
  type Message,
  type MonoSeconds,
  type Outcome,
  type StageCounts,
  type Will,
} from '../terms/terms.js'
import { Departures } from './departures.js'
import { Link } from './link.js'
import { Ledger } from './ledger.js'
import type { UplinkOptions, UplinkPorts, UplinkStatus } from './options.js'
import { readReceipt } from './receipt.js'
import { RetainedMessages } from './retained.js'
import { topicOf } from './topics.js'

export type { BackoffBounds } from './backoff.js'
export { Link, type LinkHooks, type LinkState } from './link.js'
export type { LedgerState } from './ledger.js'
export {
  usualUplink,
  type LineSource,
  type UplinkOptions,
  type UplinkPorts,
  type UplinkStatus,
} from './options.js'
export { compressedMark, makePack, type PackContent, type PackForm, type PackLine } from './pack.js'
export {
  mostRanges,
  mostReceiptStores,
  readReceipt,
  receiptJson,
  receiptOf,
  type Receipt,
} from './receipt.js'
export { senmlWriter, type Label, type SenmlWriter } from './senml-write.js'
export { linesOfGroup, stationOf, topicFormat, topicOf } from './topics.js'
export { readPack, usualPackLimits, type Pack, type PackLimits, type UnpackedLine } from './unpack.js'

/** With the client at once, beside the packs. */
const mostRetainedInFlight = 3
/** After so many publishes in a row without an answer the connection is given up. */
const mostSilent = 3

const unanswered: ReadonlySet<FaultCode> = new Set<FaultCode>(['broker-silent', 'link-lost'])

export class Uplink {
  private readonly ledger: Ledger
  private readonly link: Link
  private readonly retained = new RetainedMessages()
  private readonly departures: Departures
  private readonly inFlight = new InFlight()
  private startNumber = 0
  private dueAt: MonoSeconds | undefined
  private wanted = false
  private retainedInFlight = 0
  private silent = 0
  private stopping = false
  private lastFault: Fault | undefined
  private receiptAt: MonoSeconds | undefined

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
  ) {
    this.ledger = new Ledger(ports.store.storeId, options)
    this.departures = new Departures(options, ports, this.ledger)
    this.link = new Link(ports.broker, options.backoff, ports.random, {
      request: () => this.request(),
      connected: () => this.connected(),
      message: (message) => this.takeMessage(message),
      faults: { raise: (fault) => this.raise(fault), clear: (...codes) => ports.faults.clear(...codes) },
    })
  }

  /** Before the first step. @param state what `checkpoint` gave before, or anything. @param session rises with each start. */
  restore(state: unknown, session: number): void {
    this.ledger.restore(state, this.link.now)
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
    if (this.link.session) this.advance()
  }

  /** Something should not wait for the next pack time: connects now, unless a refused attempt forbids it yet. */
  hurry(): void {
    this.wanted = true
    this.ledger.markPresent()
    if (this.dueAt !== undefined) this.advance()
  }

  /** Time goes on; call it at least once a minute. Returns at once. */
  step(now: MonoSeconds): void {
    this.link.now = now
    if (this.dueAt === undefined || now >= this.dueAt) this.packTime(now)
    if (this.ledger.resendOverdue(now)) this.tellMissingReceipt()
    this.advance()
  }

  private packTime(now: MonoSeconds): void {
    this.dueAt = addSeconds(now, this.options.packEverySeconds)
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

  private request(): { subscribe: string[]; will: Will } {
    const topic = this.topic('alive')
    return {
      subscribe: this.options.receipts === 'required' ? [this.topic('receipt')] : [],
      will: { topic, payload: this.alive('lost'), retain: true, delaySeconds: this.options.willDelaySeconds },
    }
  }

  private connected(): void {
    this.silent = 0
    if (this.stopping) return this.inFlight.track(this.link.end(true))
    this.ledger.markPresent()
    this.retained.connected()
    this.advance()
  }

  // ---- what to do next ------------------------------------------------------------------------------------------------

  private advance(): void {
    if (this.stopping) return
    if (!this.link.session) return this.connectIfWanted()
    while (this.retainedInFlight < mostRetainedInFlight && this.publishRetained());
    if (this.retained.waiting === 0) while (this.departures.mayStart && this.publishPack());
    if (this.options.connection === 'per-pack' && this.idle) this.endWell()
  }

  private connectIfWanted(): void {
    if (this.options.connection === 'per-pack' && !this.wanted) return
    const attempt = this.link.tryConnect()
    if (attempt) this.inFlight.track(attempt)
  }

  private get idle(): boolean {
    return this.retainedInFlight === 0 && this.departures.underway === 0 && this.retained.waiting === 0
  }

  private endWell(): void {
    this.wanted = false
    this.inFlight.track(this.link.end(true).then(() => this.advance()))
  }

  private publishRetained(): boolean {
    const { session } = this.link
    const message = session && this.retained.next()
    if (!message) return false
    this.retainedInFlight++
    this.inFlight.track(
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
    const { session, now } = this.link
    const flight = session && this.departures.start(session, now)
    if (flight) this.inFlight.track(flight.then((answer) => this.answered(session, answer)))
    return flight !== undefined
  }

  /** One answer, or its absence; then on with what comes next. */
  private answered(session: BrokerSession, answer: Outcome<unknown>): void {
    if (answer.ok) this.answeredWell()
    else {
      if (answer.fault.code !== 'link-lost') this.raise(answer.fault)
      if (unanswered.has(answer.fault.code)) this.silent++
    }
    if (this.link.session === session && this.silent >= mostSilent) this.inFlight.track(this.link.end(false))
    else this.advance()
  }

  private answeredWell(): void {
    this.silent = 0
    this.ports.faults.clear('broker-silent')
    const { refused } = this.ledger.counts()
    if (refused['broker-refused'] === 0 && !this.retained.anyRefused)
      this.ports.faults.clear('broker-refused')
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
    this.receiptAt = this.link.now
    this.ledger.receipt(receipt)
    this.ports.faults.clear('receipt-missing')
  }

  private tellMissingReceipt(): void {
    this.raise({ code: 'receipt-missing', detail: 'lines that no receipt names in time are sent again' })
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
    const { failures, nextAt } = this.link.standing
    const bytes = this.link.bytes()
    return {
      state: this.link.state,
      for_s: Math.round(now - this.link.since),
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
      bytes_sent: bytes.sent,
      bytes_received: bytes.received,
      ...(this.receiptAt === undefined ? {} : { receipt_age_s: Math.round(now - this.receiptAt) }),
    }
  }

  /** True while a port operation is in flight. */
  get busy(): boolean {
    return this.inFlight.any
  }

  settled(): Promise<void> {
    return this.inFlight.settled()
  }

  /** Says 'stopped' if there is a connection, and ends it. Bounded by the adapter; waits for nothing else. */
  async stop(now: MonoSeconds): Promise<void> {
    this.link.now = now
    this.stopping = true
    await this.link.end(true, { topic: this.topic('alive'), payload: this.alive('stopped'), retained: true })
  }
}
