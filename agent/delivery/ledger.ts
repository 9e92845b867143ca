import type { EventLine, MonoSeconds } from '../terms/terms.js'
import type { WayName } from './contracts.js'
import { deliveryName, longestName, readDue, type Due } from './notices.js'
import type { Stamp, Stamps } from './stamps.js'

export const acknowledgedName = 'acknowledged'
export const mutedName = 'muted'
/** Everything is muted under this word; no rule is named so. */
export const everything = 'all'

export const mostRules = 128
/** Those of the rules, and of messages that belong to none. */
const mostFates = mostRules + 8
const daySeconds = 86_400
const hourSeconds = 3600
/** Where nobody knows how long ago a mute was, after a start without a clock: it holds no longer than this. */
const unplacedMuteSeconds = 3600
const mostSentRemembered = 400

export interface RuleBook {
  readonly rule: string
  /** The newest of each kind. */
  raised?: Due
  over?: Due
  word?: Due
  acknowledged?: { readonly id: number; readonly by: string; readonly line: EventLine }
}

/** What one recipient has of one rule. */
export interface Fate {
  /** All up to this number is told, or need not be told any more. */
  settled: number
  attempts: number
  /** An attempt was begun and nothing says how it ended. */
  isOpen: boolean
  /** It was begun, and may have come through. */
  mayHaveGone: boolean
  /** What it was told last is that it is raised. */
  knowsRaised: boolean
  line: EventLine
}

export interface Sent {
  readonly stamp: Stamp
  readonly way: WayName
  readonly rule: string
  readonly attempt: number
  readonly parts: number
  readonly isHigh: boolean
  readonly isSummary: boolean
  /** Not sure: begun, or handed over without an answer. It is paid all the same, perhaps. */
  readonly isSure: boolean
  readonly line: EventLine
}

export interface PersonBook {
  readonly fates: Map<string, Fate>
  sent: Sent[]
}

export interface Mute {
  readonly what: string
  readonly seconds: number
  readonly stamp: Stamp
  readonly line: EventLine
}

export const newestOf = (book: RuleBook): Due | undefined => {
  const { raised, over, word } = book
  const change = (raised?.id ?? 0) > (over?.id ?? 0) ? raised : over
  return (word?.id ?? 0) > (change?.id ?? 0) ? word : change
}

export const endOf = ({ stamp, seconds }: Mute): number =>
  stamp.at + (stamp.isPlaced ? seconds : Math.min(seconds, unplacedMuteSeconds))

/** An SMS of which nobody knows whether it went: it is counted as sent, and repeated once at most. */
export const unsureCodes: ReadonlySet<string> = new Set(['sms-unsure', 'delivery-overdue'])

/** The state, made from lines alone: those of this run pass through here as those of earlier ones do. */
export class Ledger {
  readonly rules = new Map<string, RuleBook>()
  readonly people = new Map<string, PersonBook>()
  readonly mutes = new Map<string, Mute>()
  /** SMS of the month that the newest went out in. */
  cost: { readonly month?: string; readonly parts: number; readonly line?: EventLine } = { parts: 0 }
  lastSeq = 0

  constructor(
    aliases: readonly string[],
    private readonly stamps: Stamps,
  ) {
    for (const alias of aliases) this.people.set(alias, { fates: new Map(), sent: [] })
  }

  /** A line that was seen before is skipped, and so is what is no line of ours. */
  apply(line: EventLine, now: MonoSeconds): void {
    if (line.seq <= this.lastSeq) return
    this.lastSeq = line.seq
    if (line.name === deliveryName) this.applyDelivery(line, now)
    else if (line.name === acknowledgedName) this.applyAcknowledged(line)
    else if (line.name === mutedName) this.applyMute(line, now)
  }

  private applyDelivery(line: EventLine, now: MonoSeconds): void {
    const { state, rule, to } = line.details
    if (state === 'due') return this.applyDue(line, now)
    const person = this.people.get(to ?? '')
    if (!person || !rule) return
    this.applyFate(person, line)
    if (state === 'trying' || state === 'delivered' || state === 'failed') this.applySent(person, line, now)
  }

  private applyDue(line: EventLine, now: MonoSeconds): void {
    const due = readDue(line, this.stamps.of(line, now))
    if (!due || due.notice.rule.length > longestName) return
    const book = this.bookOf(due.notice.rule)
    if (book) book[due.notice.state] = due
  }

  /** Undefined where there is no room for another rule. */
  bookOf(rule: string): RuleBook | undefined {
    const known = this.rules.get(rule)
    if (known) return known
    if (this.rules.size >= mostRules && !this.forgetOne()) return undefined
    const book: RuleBook = { rule }
    this.rules.set(rule, book)
    return book
  }

  /** The rule that has been over, and told, for the longest makes room: often one that the settings have no more. */
  private forgetOne(): boolean {
    const idle = [...this.rules.values()]
      .filter((book) => newestOf(book)?.notice.state !== 'raised' && !this.isWanted(book))
      .sort((a, b) => (newestOf(a)?.id ?? 0) - (newestOf(b)?.id ?? 0))
      .at(0)
    if (!idle) return false
    this.rules.delete(idle.rule)
    this.mutes.delete(idle.rule)
    for (const { fates } of this.people.values()) fates.delete(idle.rule)
    return true
  }

  private isWanted(book: RuleBook): boolean {
    const newest = newestOf(book)
    return (newest?.aliases ?? []).some(
      (alias) => this.people.has(alias) && this.settled(alias, book.rule) < newest!.id,
    )
  }

  settled(alias: string, rule: string): number {
    return this.people.get(alias)?.fates.get(rule)?.settled ?? 0
  }

  knowsRaised(alias: string, rule: string): boolean {
    return this.people.get(alias)?.fates.get(rule)?.knowsRaised === true
  }

  private applyFate({ fates }: PersonBook, line: EventLine): void {
    const { state, rule, notice, settled, attempt, change, knows, fault } = line.details
    const before = fates.get(rule)
    if (!before && fates.size >= mostFates) return
    const isAttempt = state === 'trying' || state === 'failed'
    const reached = Number(isAttempt ? settled : notice) || 0
    fates.set(rule, {
      settled: Math.max(before?.settled ?? 0, reached),
      attempts: isAttempt ? Number(attempt) || 0 : 0,
      isOpen: state === 'trying',
      mayHaveGone:
        isAttempt && (state === 'trying' || unsureCodes.has(fault) || line.details.unsure === 'yes'),
      // Of a message whose way never said what it did nobody knows whether it ended what the person believes.
      knowsRaised: state === 'unsure' || (isAttempt ? knows : change) === 'raised',
      line,
    })
  }

  /** What was begun counts until it is known to have failed. */
  private applySent(person: PersonBook, line: EventLine, now: MonoSeconds): void {
    const { state, rule, way, parts, priority, slot, fault, month, sms } = line.details
    const attempt = Number(line.details.attempt) || 0
    person.sent = person.sent.filter((s) => s.isSure || s.rule !== rule || s.attempt !== attempt)
    if (state === 'failed' && !unsureCodes.has(fault)) return
    const kinds = {
      isHigh: priority === 'high',
      isSummary: slot === 'summary',
      isSure: state === 'delivered',
    }
    const one = { way: way as WayName, rule, attempt, parts: Number(parts) || 1, ...kinds, line }
    person.sent.push({ stamp: this.stamps.of(line, now), ...one })
    this.prune(person, now)
    if (state === 'delivered' && sms !== undefined)
      this.cost = { ...(month ? { month } : {}), parts: Number(sms) || 0, line }
  }

  private prune(person: PersonBook, now: MonoSeconds): void {
    person.sent = person.sent
      .filter(({ stamp, way }) => now - stamp.at < (way === 'sms' ? daySeconds : hourSeconds))
      .slice(-mostSentRemembered)
  }

  private applyAcknowledged(line: EventLine): void {
    const { rule, notice, by } = line.details
    const book = this.rules.get(rule ?? '')
    if (book) book.acknowledged = { id: Number(notice) || 0, by: by ?? '', line }
  }

  private applyMute(line: EventLine, now: MonoSeconds): void {
    const { rule, seconds } = line.details
    if (!rule || (!this.mutes.has(rule) && this.mutes.size > mostRules)) return
    const stamp = this.stamps.of(line, now)
    const isLost = !stamp.isPlaced && line.utc === undefined
    const mute = { what: rule, seconds: isLost ? 0 : Number(seconds) || 0, stamp, line }
    this.mutes.set(rule, mute)
  }

  /** Everything that the present state was made from, oldest first. */
  lines(): EventLine[] {
    const lines = new Set<EventLine>()
    for (const { raised, over, word, acknowledged } of this.rules.values())
      for (const kept of [raised, over, word, acknowledged]) if (kept) lines.add(kept.line)
    for (const { fates, sent } of this.people.values()) {
      for (const { line } of fates.values()) lines.add(line)
      for (const { line } of sent) lines.add(line)
    }
    for (const { line } of this.mutes.values()) lines.add(line)
    if (this.cost.line) lines.add(this.cost.line)
    return [...lines].sort((a, b) => a.seq - b.seq)
  }
}

/** Sent to this person by this way within so many seconds. */
export function partsSince({ sent }: PersonBook, way: WayName, seconds: number, now: MonoSeconds): number {
  return sent
    .filter((s) => s.way === way && now - s.stamp.at < seconds)
    .reduce((sum, { parts }) => sum + parts, 0)
}
