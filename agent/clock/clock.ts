/**
 * clock: decides when UTC is to be believed and whom, notes time checks (anchors), and turns monotonic time into UTC.
 *
 * In: the monotonic time and the wall clock's view with its source; what satellite receiver, modem and people say of UTC; the
 * newest trusted time that the store holds. Out: an anchor when one is due, 'stepped' when the time believed changes, whether the
 * anchors before were wrong, and the UTC of any monotonic time of this boot with an error bound.
 * Assumed: monotonic time never steps; its rate is right within 100 ppm (common practice for a board's crystal, no source). So two
 * times that lie further apart than their errors and drift explain are not both right, and it is decided which is.
 * Refused, and told: a time before the program was made, always; a time before the newest trusted record of the store, unless
 * a better kind of source, two that are independent, a person who confirms it, or a day of saying the same speak for it:
 * then what the store holds was wrong, and the station comes back from it. The system clock is never set.
 */
import {
  monoSeconds,
  secondsBetween,
  type MonoSeconds,
  type UtcMillis,
  type UtcView,
} from '../terms/terms.js'
import {
  agree,
  apart,
  errorBy,
  opinions,
  originOf,
  rankOf,
  utcBy,
  type AnchorPoint,
  type Opinion,
  type Origin,
} from './claims.js'

export { agree, driftPerSecond, errorBy, utcBy, type AnchorPoint } from './claims.js'
export { readModemClock, modemClockAsk } from './modem-time.js'
export { readRmc } from './rmc.js'
export type { ClockReading } from './rmc.js'
export { TimeLine, type TimeLineOptions } from './time-line.js'

/** The newest time that an earlier run trusted. */
export interface StoredTime {
  readonly utc: UtcMillis
  /** Of the anchor behind it; absent: nobody knows. */
  readonly source?: string
  readonly errorSeconds: number
}

export interface ClockOptions {
  /** Nothing earlier is a possible present: when the program was made. */
  readonly notBefore: UtcMillis
  /** A jump of the wall clock against monotonic time by more than this is a step, not drift. */
  readonly stepSeconds: number
  /** An anchor at least so often while a source vouches for the time. */
  readonly anchorEverySeconds: number
  /** A source that says the same for so long, alone, is believed against the store. */
  readonly patienceSeconds: number
}

export const usualClock = { stepSeconds: 1, anchorEverySeconds: 3600, patienceSeconds: 86_400 }

export interface ClockNews {
  /** A time check to be written down. */
  readonly anchor?: AnchorPoint
  /** The clock became trusted, or stepped by so many seconds: the running record is to be closed short. */
  readonly turned?: 'trusted' | 'stepped'
  readonly stepSeconds?: number
  /** What was believed before, in this boot or in the store, cannot be right: its anchors are to be withdrawn. */
  readonly disproves?: boolean
}

/** Why an offered time is not used. */
export type Refusal = 'before-program' | 'before-store' | 'disputed'

const nothingNew: ClockNews = {}
/** A source of less error replaces the one believed only where the gain is worth a line. */
const worthwhile = 0.5

export class StationClock {
  private last: AnchorPoint | undefined
  private stored: StoredTime | undefined
  private readonly claims = new Map<Origin, AnchorPoint>()
  /** What a person's confirmation spoke against: not listened to while it says the same. */
  private readonly disbelieved = new Map<Origin, AnchorPoint>()
  private confirmed = false
  private refusedNow: { readonly why: Refusal; readonly claim: AnchorPoint } | undefined
  private checked: MonoSeconds | undefined
  private early: { readonly since: MonoSeconds; readonly claim: AnchorPoint } | undefined

  constructor(private readonly options: ClockOptions) {}

  /** What the store knows of time; to be called once, before the first look. */
  remember(stored: StoredTime | undefined, heard: readonly AnchorPoint[] = []): void {
    this.stored = stored
    for (const claim of heard) this.claims.set(originOf(claim.source), claim)
  }

  get trusted(): boolean {
    return this.last !== undefined
  }

  /** A time that was offered at the last look and is not used: told in health. */
  get refused(): { readonly why: Refusal; readonly claim: AnchorPoint } | undefined {
    return this.refusedNow
  }

  /** Source of the time believed, and when it was checked. */
  get source(): AnchorPoint | undefined {
    return this.last
  }

  /** When a source last agreed with what is believed. */
  get checkedAt(): MonoSeconds | undefined {
    return this.checked
  }

  /**
   * Takes what somebody says of UTC. It weighs in at the next look.
   * @param confirmed a person stands by it against whatever says otherwise now
   */
  hear(claim: AnchorPoint, confirmed = false): void {
    const origin = originOf(claim.source)
    const before = this.claims.get(origin)
    const now = claim.mono
    const silenced = this.disbelieved.get(origin)
    if (silenced && !confirmed) {
      if (agree(silenced, claim, now)) return
      this.disbelieved.delete(origin)
    }
    // A worse source of the same clock takes nothing back while it agrees.
    const isWorse = before && before.source !== claim.source && errorBy(before, now) <= claim.errorSeconds
    if (isWorse && agree(before, claim, now)) return
    this.claims.set(origin, claim)
    if (!confirmed) return
    this.confirmed = true
    for (const [other, said] of this.claims)
      if (!agree(said, claim, now)) {
        this.disbelieved.set(other, said)
        this.claims.delete(other)
      }
  }

  /** What contradicts a time that somebody offers; undefined where nothing does. */
  against(claim: AnchorPoint): { readonly why: Refusal; readonly claim?: AnchorPoint } | undefined {
    if (claim.utc < this.options.notBefore) return { why: 'before-program' }
    const believed = this.last
    const isBetter = believed && rankOf(believed.source) > rankOf(claim.source)
    if (isBetter && !agree(believed, claim, claim.mono)) return { why: 'disputed', claim: believed }
    if (believed || !this.isBeforeStore(claim, claim.mono)) return undefined
    const others = [...this.claims.values()].filter(
      ({ source }) => originOf(source) !== originOf(claim.source),
    )
    return others.some((other) => agree(other, claim, claim.mono)) ? undefined : { why: 'before-store' }
  }

  /** To be called once a minute or so; cheap. */
  look(now: MonoSeconds, { at, source, errorSeconds }: UtcView): ClockNews {
    if (source !== undefined) this.hear({ mono: now, utc: at, source, errorSeconds })
    const chosen = this.choose(now)
    const news = chosen ? this.adopt(chosen, now) : nothingNew
    this.noteAgreement(now)
    return news
  }

  private choose(now: MonoSeconds): AnchorPoint | undefined {
    const all = [...this.claims.values()]
    const possible = all.filter((claim) => utcBy(claim, now) >= this.options.notBefore)
    const impossible = all.find((claim) => !possible.includes(claim))
    this.refusedNow = impossible && { why: 'before-program', claim: impossible }
    const ranked = opinions(possible, now)
    const able = ranked.find((opinion) => this.mayBe(opinion, now))
    const [first] = ranked
    if (first && first !== able) this.refusedNow = { why: 'before-store', claim: first.best }
    else this.early = undefined
    return able?.best
  }

  /** An opinion that does not contradict the store, or is the better witness. */
  private mayBe({ best, origins, rank }: Opinion, now: MonoSeconds): boolean {
    if (!this.isBeforeStore(best, now)) return true
    if (origins.length > 1 || rank > rankOf(this.stored!.source)) return true
    if (this.confirmed && origins.includes('person')) return true
    if (!this.early || !agree(this.early.claim, best, now)) this.early = { since: now, claim: best }
    return secondsBetween(this.early.since, now) >= this.options.patienceSeconds
  }

  private isBeforeStore(claim: AnchorPoint, now: MonoSeconds): boolean {
    if (!this.stored) return false
    const slackSeconds = this.stored.errorSeconds + errorBy(claim, now)
    return utcBy(claim, now) + slackSeconds * 1000 < this.stored.utc
  }

  private adopt(chosen: AnchorPoint, now: MonoSeconds): ClockNews {
    const { last } = this
    const { source } = chosen
    const anchor = { mono: now, utc: utcBy(chosen, now), source, errorSeconds: errorBy(chosen, now) }
    if (!last) {
      const disproves = this.isBeforeStore(anchor, now)
      this.take(anchor, disproves)
      return { anchor, turned: 'trusted', ...(disproves ? { disproves } : {}) }
    }
    const off = apart(last, chosen, now)
    const disproves = !agree(last, chosen, now)
    const stepped = Math.abs(off) > this.options.stepSeconds
    const better = anchor.errorSeconds <= worthwhile * errorBy(last, now)
    if (!disproves && !better && (stepped || !this.isDue(chosen, now))) return nothingNew
    this.take(anchor, disproves)
    if (!stepped) return { anchor }
    return { anchor, turned: 'stepped', stepSeconds: off, ...(disproves ? { disproves } : {}) }
  }

  private take(anchor: AnchorPoint, disproves: boolean): void {
    this.last = anchor
    this.early = undefined
    if (disproves && this.isBeforeStore(anchor, anchor.mono)) this.stored = undefined
  }

  /** A fresh word of the source believed, an interval after the last. */
  private isDue(chosen: AnchorPoint, now: MonoSeconds): boolean {
    const { mono } = this.last!
    return chosen.mono > mono && secondsBetween(mono, now) >= this.options.anchorEverySeconds
  }

  private noteAgreement(now: MonoSeconds): void {
    const { last } = this
    if (!last) return
    const others = [...this.disbelieved.values(), ...this.claims.values()]
    const agreeing = others.filter((claim) => agree(claim, last, now))
    const newest = Math.max(last.mono, ...agreeing.map(({ mono }) => mono))
    this.checked = monoSeconds(newest)
    const against = others.find((claim) => !agreeing.includes(claim))
    if (against) this.refusedNow ??= { why: 'disputed', claim: against }
  }

  /** UTC of a moment of this boot; undefined while no anchor was ever set. */
  at(mono: MonoSeconds): UtcMillis | undefined {
    return this.last && utcBy(this.last, mono)
  }

  /** Error bound in seconds of `at(mono)`. */
  errorAt(mono: MonoSeconds): number {
    return this.last ? errorBy(this.last, mono) : Infinity
  }

  /**
   * Seconds of monotonic time from `mono` to the next multiple of `length` seconds in UTC (a full minute, usually);
   * `length` itself while the clock is not trusted.
   */
  secondsToEdge(mono: MonoSeconds, length: number): number {
    const utc = this.at(mono)
    if (utc === undefined) return length
    const into = (utc / 1000) % length
    return into < 0.005 ? length : length - into
  }
}
