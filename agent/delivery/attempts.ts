import {
  bad,
  faultCatalogue,
  secondsBetween,
  utcText,
  type Delivered,
  type EventLine,
  type Fault,
  type MonoSeconds,
  type OutgoingMessage,
  type Outcome,
} from '../terms/terms.js'
import type { DeliveryOptions, DeliveryPorts, RecipientWay, WayName } from './contracts.js'
import { unsureCodes, type Ledger } from './ledger.js'
import { deliveryName, type Due } from './notices.js'
import type { Pending, Progress } from './pending.js'
import { Rests } from './rests.js'

/** A message on its way to one recipient. */
export interface Job {
  readonly alias: string
  /** Of the alert, or a word of our own. */
  readonly rule: string
  readonly newest: Due
  readonly progress: Progress
  /** Those by which it may go, in the order of the recipient. */
  readonly ways: readonly RecipientWay[]
  /** What is told with it; more than one in a summary. */
  readonly told: readonly Pending[]
  readonly isSummary: boolean
}

interface Flight {
  readonly job: Job
  readonly way: WayName
  readonly attempt: number
  readonly startedAt: MonoSeconds
  readonly isNoted: boolean
  readonly changes: readonly number[]
  /** An attempt before this one may have come through. */
  readonly mayHaveGone: boolean
  isGivenUp: boolean
}

/** No way takes so long; one that does has lost its answer. */
const longestAttemptSeconds = 300
/** A disk that fails holds a message up for so long; then it is told, noted or not. */
const longestWaitForDiskSeconds = 600
const diskRestSeconds = 30

const isPowerOfTwo = (n: number): boolean => (n & (n - 1)) === 0

/**
 * The attempts: one at a time by each way, each begun only when all lines so far are safe. The first of a run is noted, and
 * then the second, fourth, eighth…, so that a way that never works does not fill the store.
 */
export class Attempts {
  private readonly flights = new Map<WayName, Flight>()
  private readonly tested = new Map<WayName, MonoSeconds>()
  readonly rests: Rests
  private safeSeq = 0
  private saving: { readonly upTo: number; readonly done: Promise<boolean> } | undefined
  private unsafeSince: MonoSeconds | undefined
  private restUntil = 0

  constructor(
    options: DeliveryOptions,
    private readonly ports: DeliveryPorts,
    private readonly ledger: Ledger,
    private readonly ends: {
      /** Told: with `changes` of each, as they were when the attempt began. */
      readonly delivered: (job: Job, changes: readonly number[], now: MonoSeconds) => void
      /** Nobody knows, and it was repeated once: it is left at that. */
      readonly unsure: (job: Job, changes: readonly number[], now: MonoSeconds) => void
      readonly ended: (now: MonoSeconds) => void
    },
  ) {
    this.rests = new Rests(options, ports)
  }

  get any(): boolean {
    return this.flights.size > 0
  }

  isBusy(way: WayName): boolean {
    return this.flights.has(way) || this.tested.has(way)
  }

  /** Messages that are on their way to a recipient. */
  underWay(alias: string, isHigh: boolean): number {
    let count = 0
    for (const { job } of this.flights.values())
      if (job.alias === alias && (job.newest.notice.priority === 'high') === isHigh) count++
    return count
  }

  isDiskResting(now: MonoSeconds): boolean {
    return now < this.restUntil
  }

  note(at: MonoSeconds, details: Readonly<Record<string, string>>): EventLine {
    const line = this.ports.event(at, deliveryName, details)
    this.ledger.apply(line, at)
    return line
  }

  /** An attempt that nothing follows from; undefined while the way is busy. */
  async once(
    name: WayName,
    message: OutgoingMessage,
    details: Readonly<Record<string, string>>,
  ): Promise<Outcome<Delivered> | undefined> {
    if (this.isBusy(name)) return undefined
    const startedAt = this.ports.mono()
    this.tested.set(name, startedAt)
    const words = { ...details, way: name, attempt: String(this.ledger.lastSeq), priority: 'low' }
    this.note(startedAt, { state: 'trying', ...words })
    await this.makeSafe()
    const outcome = await this.sendBy(name, message)
    if (this.tested.get(name) === startedAt) this.tested.delete(name)
    const now = this.ports.mono()
    if (outcome.ok) {
      const { parts } = outcome.value
      const cost = name === 'sms' ? this.costDetails(parts, now) : {}
      this.note(now, { state: 'delivered', ...words, parts: String(parts), ...cost })
    } else this.note(now, { state: 'failed', ...words, fault: outcome.fault.code })
    this.ends.ended(now)
    this.ports.track(this.makeSafe())
    return outcome
  }

  begin(job: Job, way: RecipientWay, message: OutgoingMessage, now: MonoSeconds): void {
    const { progress } = job
    const attempt = ++progress.attempts
    const isNoted = progress.isFresh || isPowerOfTwo(attempt)
    progress.isFresh = false
    setUnderWay(job, true)
    const changes = job.told.map((pending) => pending.progress.changes)
    const { mayHaveGone = false } = this.ledger.people.get(job.alias)?.fates.get(job.rule) ?? {}
    const known = { job, way: way.way, attempt, startedAt: now, isNoted, changes, mayHaveGone }
    const flight: Flight = { ...known, isGivenUp: false }
    this.flights.set(way.way, flight)
    if (isNoted) this.note(now, { state: 'trying', ...this.details(flight) })
    this.ports.track(this.run(flight, message))
  }

  /** Gives up what got no answer: it may have gone all the same. */
  expire(now: MonoSeconds): void {
    for (const [way, startedAt] of this.tested)
      if (secondsBetween(startedAt, now) >= longestAttemptSeconds) this.tested.delete(way)
    for (const flight of this.flights.values()) {
      if (secondsBetween(flight.startedAt, now) < longestAttemptSeconds) continue
      flight.isGivenUp = true
      const seconds = Math.round(secondsBetween(flight.startedAt, now))
      this.close(flight, bad('delivery-overdue', `no answer within ${seconds} s`), now)
    }
  }

  private async run(flight: Flight, message: OutgoingMessage): Promise<void> {
    const isSafe = await this.makeSafe()
    if (flight.isGivenUp) return
    if (!isSafe && !this.mayGoUnsafe(this.ports.mono())) return this.putOff(flight)
    const outcome = await this.sendBy(flight.way, message)
    const now = this.ports.mono()
    if (!flight.isGivenUp) this.close(flight, outcome, now)
    else if (outcome.ok) this.tellDelivered(flight, outcome.value, now)
  }

  /** A way does not throw; should one do so all the same, its message waits like any other. */
  private async sendBy(name: WayName, message: OutgoingMessage): Promise<Outcome<Delivered>> {
    const way = this.ports.ways.get(name)
    try {
      return way ? await way.send(message) : bad('delivery-overdue', 'there is no such way')
    } catch {
      return bad('delivery-overdue', 'the way ended without an answer')
    }
  }

  private isUntold({ job }: Flight): boolean {
    return job.told.some(({ book, newest }) => this.ledger.settled(job.alias, book.rule) < newest.id)
  }

  /** Brings all lines so far to the disk; several attempts that begin at once share a sync. */
  async makeSafe(): Promise<boolean> {
    const upTo = this.ledger.lastSeq
    if (upTo <= this.safeSeq) return true
    if (!this.saving || this.saving.upTo < upTo) this.saving = { upTo, done: this.ports.safe() }
    const { saving } = this
    const isSafe = await saving.done
    if (this.saving === saving) this.saving = undefined
    if (isSafe) {
      this.safeSeq = Math.max(this.safeSeq, saving.upTo)
      this.unsafeSince = undefined
    }
    return isSafe
  }

  private mayGoUnsafe(now: MonoSeconds): boolean {
    this.unsafeSince ??= now
    return secondsBetween(this.unsafeSince, now) >= longestWaitForDiskSeconds
  }

  private putOff(flight: Flight): void {
    const now = this.ports.mono()
    this.restUntil = now + diskRestSeconds
    this.land(flight)
    flight.job.progress.because = 'the disk does not take the note of it'
    if (flight.isNoted) this.noteFailed(flight, 'disk', now)
    this.ends.ended(now)
  }

  private close(flight: Flight, outcome: Outcome<Delivered>, now: MonoSeconds): void {
    this.land(flight)
    if (outcome.ok) this.tellDelivered(flight, outcome.value, now)
    else this.tellFailed(flight, outcome.fault, now)
    this.ends.ended(now)
    this.ports.track(this.makeSafe())
  }

  private land(flight: Flight): void {
    if (this.flights.get(flight.way) === flight) this.flights.delete(flight.way)
    setUnderWay(flight.job, false)
  }

  private tellDelivered(flight: Flight, { parts }: Delivered, now: MonoSeconds): void {
    const { job, way } = flight
    const isNews = this.isUntold(flight)
    this.note(now, {
      state: 'delivered',
      ...this.details(flight),
      parts: String(parts),
      ...(way === 'sms' ? this.costDetails(parts, now) : {}),
    })
    this.rests.worked(job.alias, way)
    if (isNews) this.ends.delivered(job, flight.changes, now)
  }

  private tellFailed(flight: Flight, fault: Fault, now: MonoSeconds): void {
    const { job, way } = flight
    const isUnsure = way !== 'webhook' && unsureCodes.has(fault.code)
    if (isUnsure) job.progress.unsure.set(way, (job.progress.unsure.get(way) ?? 0) + 1)
    if (flight.isNoted || isUnsure) this.noteFailed(flight, fault.code, now)
    this.rests.failed(job.alias, way, fault, now)
    job.progress.because = `${way}: ${faultCatalogue[fault.code].words}`
    if (isUnsure && this.isLeftAtThat(job) && this.isUntold(flight))
      this.ends.unsure(job, flight.changes, now)
  }

  /** Repeated once by each way that the recipient has, and not sure of any. */
  private isLeftAtThat({ ways, progress }: Job): boolean {
    return ways.every(({ way }) => isSpent(progress, way))
  }

  private noteFailed(flight: Flight, fault: string, now: MonoSeconds): void {
    this.note(now, { state: 'failed', ...this.details(flight), fault })
  }

  private details({ job, way, attempt, mayHaveGone }: Flight): Record<string, string> {
    const { alias, rule, newest, isSummary } = job
    return {
      rule,
      notice: String(newest.id),
      change: newest.notice.state,
      to: alias,
      way,
      code: newest.code,
      attempt: String(attempt),
      settled: String(this.ledger.settled(alias, rule)),
      ...(this.ledger.knowsRaised(alias, rule) ? { knows: 'raised' } : {}),
      ...(mayHaveGone ? { unsure: 'yes' } : {}),
      priority: newest.notice.priority,
      ...(isSummary ? { slot: 'summary' } : {}),
    }
  }

  /** The month's SMS so far, this one included. */
  private costDetails(parts: number, now: MonoSeconds): Record<string, string> {
    const utc = this.ports.utcAt(now)
    const { month: before, parts: sofar } = this.ledger.cost
    const month = utc === undefined ? before : utcText(utc).slice(0, 7)
    const sms = month === before ? sofar + parts : parts
    return { sms: String(sms), ...(month === undefined ? {} : { month }) }
  }
}

/** An unsure attempt is repeated once. */
export const isSpent = (progress: Progress, way: WayName): boolean => (progress.unsure.get(way) ?? 0) >= 2

function setUnderWay({ progress, told }: Job, isUnderWay: boolean): void {
  progress.isUnderWay = isUnderWay
  for (const pending of told) pending.progress.isUnderWay = isUnderWay
}
