/**
 * clock: decides when UTC is to be believed, notes time checks (anchors), and turns monotonic time into UTC.
 *
 * In: the monotonic time and the wall clock's view with its source. Out: an anchor when one is due, 'stepped' when the
 * wall clock jumped against monotonic time, and the UTC of any monotonic time of this boot with an error bound.
 * Assumed: monotonic time never steps; its rate is right within 100 ppm (common practice for a board's crystal, no source).
 * Refused: a time before the program was made or before the newest record of the store; it is 'not trusted', and told.
 */
import {
  addUtcSeconds,
  secondsBetween,
  type MonoSeconds,
  type UtcMillis,
  type UtcView,
} from '../terms/terms.js'

export interface AnchorPoint {
  readonly mono: MonoSeconds
  readonly utc: UtcMillis
  readonly source: string
  readonly errorSeconds: number
}

export interface ClockOptions {
  /** Nothing earlier is a possible present: build time or the newest trusted record, whichever is later. */
  readonly notBefore: UtcMillis
  /** A jump of the wall clock against monotonic time by more than this is a step, not drift. */
  readonly stepSeconds: number
  /** An anchor at least so often while the clock is trusted. */
  readonly anchorEverySeconds: number
}

export const usualClock = { stepSeconds: 1, anchorEverySeconds: 3600 }

/** Drift allowed between an anchor and a moment away from it. */
export const driftPerSecond = 100e-6

export interface ClockNews {
  /** A time check to be written down. */
  readonly anchor?: AnchorPoint
  /** The clock became trusted, or stepped by so many seconds: the running record is to be closed short. */
  readonly turned?: 'trusted' | 'stepped'
  readonly stepSeconds?: number
}

const nothingNew: ClockNews = {}

export class StationClock {
  private last: AnchorPoint | undefined
  private tooEarly = false

  constructor(private readonly options: ClockOptions) {}

  get trusted(): boolean {
    return this.last !== undefined
  }

  /** A source vouched for a time that cannot be: told in health, never used. */
  get refusedTooEarly(): boolean {
    return this.tooEarly
  }

  /** To be called once a minute or so; cheap. */
  look(now: MonoSeconds, view: UtcView): ClockNews {
    this.tooEarly = view.source !== undefined && view.at < this.options.notBefore
    if (view.source === undefined || this.tooEarly) return this.untrusted()
    const anchor = { mono: now, utc: view.at, source: view.source, errorSeconds: view.errorSeconds }
    if (!this.last) {
      this.last = anchor
      return { anchor, turned: 'trusted' }
    }
    const off = (view.at - this.at(now)!) / 1000
    const stepped = Math.abs(off) > this.options.stepSeconds
    const due = secondsBetween(this.last.mono, now) >= this.options.anchorEverySeconds
    if (!stepped && !due && view.source === this.last.source) return nothingNew
    this.last = anchor
    return stepped ? { anchor, turned: 'stepped', stepSeconds: off } : { anchor }
  }

  private untrusted(): ClockNews {
    // A source that falls silent takes nothing back: the last anchor stands, its error grows with distance.
    return nothingNew
  }

  /** UTC of a moment of this boot; undefined while no anchor was ever set. */
  at(mono: MonoSeconds): UtcMillis | undefined {
    return this.last && addUtcSeconds(this.last.utc, secondsBetween(this.last.mono, mono))
  }

  /** Error bound in seconds of `at(mono)`. */
  errorAt(mono: MonoSeconds): number {
    if (!this.last) return Infinity
    return this.last.errorSeconds + driftPerSecond * Math.abs(secondsBetween(this.last.mono, mono))
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
