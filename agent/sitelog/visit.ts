/**
 * The visit: while somebody is at the station its readings show the person, not the air.
 *
 * One rule for the running station (monotonic time) and for the log (UTC): a visit lasts from its start until its end is
 * told, at most `longestSeconds`; a further start renews that; an end told within `afterSeconds` of an end counts as the
 * end. Readings are excluded as 'service' from the start until `afterSeconds` after the end.
 * The figures (60 min, 10 min) are common practice, no source.
 */
import type { MonoSeconds, UtcMillis } from '../terms/terms.js'
import type { SiteEntry } from './kinds.js'

export interface VisitOptions {
  readonly longestSeconds: number
  readonly afterSeconds: number
}

export const usualVisit: VisitOptions = { longestSeconds: 3600, afterSeconds: 600 }

export interface VisitSpan {
  readonly from: number
  /** When it ends by itself, or ended. */
  readonly endsAt: number
  readonly endTold: boolean
}

export const isOpen = (visit: VisitSpan, at: number): boolean => !visit.endTold && at < visit.endsAt

/** @param longest in the unit of `at`. */
export function startVisit(visit: VisitSpan | undefined, at: number, longest: number): VisitSpan {
  if (!visit || !isOpen(visit, at)) return { from: at, endsAt: at + longest, endTold: false }
  return { ...visit, endsAt: Math.max(visit.endsAt, at + longest) }
}

/** The visit with its end told, or undefined: none was going on, nor within `after` of its end. */
export function endVisit(visit: VisitSpan | undefined, at: number, after: number): VisitSpan | undefined {
  if (!visit || at < visit.from || at >= visit.endsAt + after) return undefined
  return { ...visit, endsAt: at, endTold: true }
}

export interface VisitNews {
  readonly what: 'started' | 'renewed' | 'ended' | 'closed-itself' | 'no-visit'
  readonly at: MonoSeconds
}

/** The visit of the running station. Times must not run backwards. */
export class Visit {
  private span: VisitSpan | undefined
  private closingTold = true
  private now = -Infinity

  constructor(private readonly options: VisitOptions = usualVisit) {}

  /** Somebody begins, or is still there. */
  start(now: MonoSeconds): readonly VisitNews[] {
    const news = this.step(now)
    const what = this.open ? 'renewed' : 'started'
    this.span = startVisit(this.span, now, this.options.longestSeconds)
    this.closingTold = false
    return [...news, { what, at: now }]
  }

  end(now: MonoSeconds): readonly VisitNews[] {
    const news = this.step(now)
    const ended = endVisit(this.span, now, this.options.afterSeconds)
    if (!ended) return [...news, { what: 'no-visit', at: now }]
    this.span = ended
    this.closingTold = true
    return [...news, { what: 'ended', at: now }]
  }

  /** To be called at least once a minute; tells once that a forgotten visit closed itself, and when. */
  step(now: MonoSeconds): readonly VisitNews[] {
    this.now = now
    if (this.closingTold || !this.span || isOpen(this.span, now)) return nothing
    this.closingTold = true
    return [{ what: 'closed-itself', at: this.span.endsAt as MonoSeconds }]
  }

  /** Somebody is there, as far as is known at the last call. */
  get open(): boolean {
    return this.span !== undefined && isOpen(this.span, this.now)
  }

  /** Until then readings are excluded as 'service'; undefined when there was no visit. */
  get quietUntil(): MonoSeconds | undefined {
    return this.span && ((this.span.endsAt + this.options.afterSeconds) as MonoSeconds)
  }

  /** At the last call: readings are excluded as 'service' and no alert is raised. */
  get quiet(): boolean {
    return this.now < (this.quietUntil ?? -Infinity)
  }
}

const nothing: readonly VisitNews[] = []

/** The entry to be written when a visit closed itself. @param at when, where the time is known. */
export const selfClosedEntry = (at?: UtcMillis): SiteEntry => ({
  kind: 'visit-end',
  effect: 'exclude',
  who: 'station',
  note: 'closed by itself',
  from: at === undefined ? 'now' : ((Math.floor(at / 1000) * 1000) as UtcMillis),
})
