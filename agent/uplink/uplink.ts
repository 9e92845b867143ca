/**
 * uplink: brings the lines of the store to the broker, and knows which of them are safe at the far end.
 *
 * In: how far the store is safe (`safeUpTo`), a way to read lines of a range, retained messages to keep at the broker,
 * the collector's receipts, and the time with each `step`. Out: packs of at most a few hundred lines on the topic
 * `lines`, retained messages, the will; where every line number stands (safe, sent, safe away); faults and their end.
 * Assumed: the store is the only queue. At most a window of packs and three retained messages are with the client, so
 * an outage of any length costs no memory. `step` and all other calls return at once; what they start goes on by itself
 * with the time of the last step, and `settled` resolves when nothing is in flight.
 * Refused: a line that cannot be packed, or that the broker does not take even alone, is set aside, counted and told; the
 * others go on. Order: alerts, other retained messages, the newest lines, then what is missing, oldest first, as far as
 * the byte budget of the day allows.
 */
import {
  addSeconds,
  InFlight,
  type BrokerSession,
  type Fault,
  type Message,
  type MonoSeconds,
  type Outcome,
  type StageCounts,
} from '../terms/terms.js'
import { Announcements } from './announcements.js'
import type { CommandLine } from './command-line.js'
import { Departures } from './departures.js'
import { Hearing } from './hearing.js'
import { Incoming } from './incoming.js'
import { Link } from './link.js'
import { Ledger } from './ledger.js'
import type { UplinkOptions, UplinkPorts, UplinkStatus } from './options.js'
import { Pace } from './pace.js'
import { clearAnswered, uplinkStatus } from './report.js'

export type { AnswerPlace } from './command-line.js'
export * from './command.js'
export { Link, type LinkHooks, type LinkState } from './link.js'
export type { LedgerState } from './ledger.js'
export { allInBytes, type LinkCost, type Traffic } from './meter.js'
export {
  usualUplink,
  type LineSource,
  type UplinkOptions,
  type UplinkPorts,
  type UplinkStatus,
} from './options.js'
export { compressedMark, makePack, type PackContent, type PackForm, type PackLine } from './pack.js'
export { mostRanges, mostReceiptStores, readReceipt, receiptJson, receiptOf } from './receipt.js'
export type { Receipt } from './receipt.js'
export { senmlWriter, type Label, type SenmlWriter } from './senml-write.js'
export { linesOfGroup, stationOf, topicFormat, topicOf } from './topics.js'
export { readPack, usualPackLimits, type Pack, type PackLimits, type UnpackedLine } from './unpack.js'

const lateDetail = 'lines that no receipt names in time are sent again'

export class Uplink {
  private readonly ledger: Ledger
  private readonly link: Link
  readonly announcements: Announcements
  private readonly departures: Departures
  private readonly pace: Pace
  private readonly inFlight = new InFlight()
  private readonly hearing = new Hearing()
  private dueAt: MonoSeconds | undefined
  private wanted = false
  private stopping = false
  private lastFault: Fault | undefined
  private readonly incoming: Incoming

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
  ) {
    this.ledger = new Ledger(ports.store.storeId, options)
    this.departures = new Departures(options, ports, this.ledger)
    this.announcements = new Announcements(options, ports)
    this.incoming = new Incoming(options, ports, this.ledger, this.announcements, () => this.advance())
    this.pace = new Pace(options, this.ledger, ports.faults)
    this.link = new Link(ports.broker, options.backoff, ports.random, {
      request: () => this.request(),
      connected: (session) => this.connected(session),
      message: (message) => this.takeMessage(message),
      failed: (fault) => this.attemptFailed(fault),
      faults: { raise: (fault) => this.raise(fault), clear: (...codes) => ports.faults.clear(...codes) },
    })
  }

  /** Commands that come, and answers to them. */
  get commands(): CommandLine {
    return this.incoming.commands
  }

  /** Before the first step. @param state what `checkpoint` gave before, or anything. @param session rises with each start. */
  restore(state: unknown, session: number, now: MonoSeconds): void {
    this.link.now = this.link.since = now
    this.ledger.restore(state, now)
    this.pace.restore((Object(state) as { meter?: unknown }).meter, now)
    this.announcements.started(session)
  }

  checkpoint(): Record<string, unknown> {
    return { ...this.ledger.save(), meter: this.pace.save() }
  }

  /** Lines up to this number are synced, or let out of a disk that fails, and may be sent. */
  safeUpTo(seq: number): void {
    this.ledger.safeUpTo(seq)
  }

  /** Whether every line of these numbers is safe away: by receipt, or by PUBACK where there are no receipts. */
  isAway(from: number, to: number): boolean {
    return this.ledger.isAway(from, to)
  }

  /** Keeps a retained message at the broker; the newest of each replaces the one before. */
  retain(what: string, payload: Uint8Array): void {
    this.announcements.put(what, payload)
    if (this.link.session) this.advance()
  }

  /** Something should not wait for the next pack time: connects now, unless a refused attempt forbids it yet. */
  hurry(): void {
    this.wanted = true
    this.ledger.markPresent()
    if (this.dueAt !== undefined) this.advance()
  }

  /** Lines that were parked go again, each as if it were new. */
  resend(): void {
    this.ledger.unpark()
    this.ports.faults.clear('lines-parked')
    this.hurry()
  }

  /** Numbers go again, whoever has them; a receipt that names them before they left has the last word. */
  sendAgain(from: number, to: number): void {
    this.ledger.again(from, to)
    this.hurry()
  }

  /** Something changed on our side (the clock, an interface): the wait after a failed attempt is over. */
  tryNow(): void {
    this.link.forgetWait()
    if (this.dueAt !== undefined) this.advance()
  }

  /** Ends a connection that may stand only on this side, and makes a new one. */
  reconnect(): void {
    this.wanted = true
    this.inFlight.track(this.link.end(false).then(() => this.tryNow()))
  }

  /** For how long attempts and messages have been without an answer of any kind; 0 while none is missing. */
  unansweredSeconds(now: MonoSeconds): number {
    const { deafSince } = this.hearing
    return deafSince === undefined ? 0 : now - deafSince
  }

  /** Time goes on; call it at least once a minute. Returns at once. */
  step(now: MonoSeconds): void {
    this.link.now = now
    this.link.look()
    this.pace.look(now, this.link)
    if (this.dueAt === undefined || now >= this.dueAt) this.packTime(now)
    if (this.ledger.resendOverdue(now)) this.raise({ code: 'receipt-missing', detail: lateDetail })
    const noEcho = this.announcements.step(now)
    if (noEcho) this.raise(noEcho)
    this.advance()
  }

  private packTime(now: MonoSeconds): void {
    this.dueAt = addSeconds(now, this.options.packEverySeconds)
    this.wanted = true
    this.ledger.markPresent()
    this.announcements.sayAlive(now)
  }

  private request(): ReturnType<Incoming['request']> {
    this.pace.trying(this.link.now)
    return this.incoming.request()
  }

  private attemptFailed(fault: Fault): void {
    this.pace.attemptFailed(fault.code, this.link.now)
    this.hearing.ended(fault.code, this.link.now)
  }

  private connected(session: BrokerSession): void {
    this.pace.connected()
    this.hearing.connected()
    this.incoming.connected(session)
    if (this.stopping) return this.inFlight.track(this.link.end(true))
    this.ledger.markPresent()
    this.announcements.connected()
    this.advance()
  }

  private advance(): void {
    if (this.stopping) return
    if (!this.link.session) return this.connectIfWanted()
    while (this.announce());
    if (this.announcements.waiting === 0) while (this.publishPack());
    const idle = this.announcements.idle && this.departures.underway === 0 && this.commands.idle
    if (this.options.connection === 'per-pack' && idle) this.endWell()
  }

  private connectIfWanted(): void {
    const { now } = this.link
    if (this.options.connection === 'per-pack' && !this.wanted) return
    const attempt = this.pace.mayTry(now) ? this.link.tryConnect() : undefined
    if (attempt) this.inFlight.track(attempt)
  }

  private endWell(): void {
    this.wanted = false
    this.inFlight.track(this.link.end(true).then(() => this.advance()))
  }

  private announce(): boolean {
    const { session } = this.link
    return (
      !!session &&
      this.follow(
        session,
        this.commands.publish(session) ?? this.announcements.publish(session, () => this.link.now),
      )
    )
  }

  private publishPack(): boolean {
    const { session, now } = this.link
    if (!session) return false
    const allowance = this.pace.allowance(now, this.link)
    return (
      allowance !== 'pressing' &&
      this.follow(session, this.departures.start(session, now, allowance === 'all'))
    )
  }

  private follow(session: BrokerSession, flight: Promise<Outcome<unknown>> | undefined): boolean {
    if (flight) this.inFlight.track(flight.then((answer) => this.answered(session, answer)))
    return flight !== undefined
  }

  /** One answer, or its absence; then on with what comes next. */
  private answered(session: BrokerSession, answer: Outcome<unknown>): void {
    this.pace.message()
    this.hearing.ended(answer.ok ? undefined : answer.fault.code, this.link.now)
    if (answer.ok) clearAnswered(this.ports.faults, this.ledger, this.departures, this.announcements)
    else if (answer.fault.code !== 'link-lost') this.raise(answer.fault)
    if (this.link.session === session && this.hearing.givenUp) this.inFlight.track(this.link.end(false))
    else this.advance()
  }

  private raise(fault: Fault): void {
    this.lastFault = fault
    this.ports.faults.raise(fault)
  }

  private takeMessage(message: Message): void {
    this.pace.message()
    this.incoming.take(message, this.link.now)
  }

  /** Lines: taken = safe here; given = safe away; held = sent, in flight or waiting; refused = set aside. */
  counts(): StageCounts {
    return this.ledger.counts()
  }

  status(now: MonoSeconds): UplinkStatus {
    const { ledger, link, pace, announcements } = this
    return uplinkStatus(now, {
      ...{ ledger, link, pace, announcements },
      acknowledged: this.departures.acknowledged,
      lastFault: this.lastFault,
      receiptAt: this.incoming.receiptAt,
      deafSince: this.hearing.deafSince,
    })
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
    await this.link.end(true, this.announcements.farewell)
  }
}
