/** One trouble of a station: raised when its condition has held for long enough, over when it has not for long enough. */
import { addSeconds, type MonoSeconds } from '../terms/terms.js'
import type { AlertState } from './alert.js'

export interface TroubleTiming {
  readonly onDelaySeconds: number
  readonly offDelaySeconds: number
}

/** What is seen of a condition; undefined elsewhere: it cannot be told now, and the state stays. */
export interface TroubleSeen {
  readonly holds: boolean
  /** What exactly, short; never a secret. */
  readonly detail?: string
  readonly value?: number
  readonly unit?: string
  /** It has held for so long by itself: the on-delay counts from there, over pauses of a plan and visits too. */
  readonly heldSeconds?: number
}

export interface TroubleChange {
  readonly to: AlertState
  /** When the condition began to hold, or to be over, without a break. */
  readonly since: MonoSeconds
  readonly seen: TroubleSeen
}

export class Trouble {
  private current: AlertState = 'normal'
  private pendingSince: MonoSeconds | undefined

  constructor(private readonly timing: TroubleTiming) {}

  get state(): AlertState {
    return this.current
  }

  /** Puts back what the newest line says; a delay that was running starts anew. */
  restore(state: AlertState): void {
    this.current = state
    this.pendingSince = undefined
  }

  /** @param quiet somebody is at the station: nothing is raised, and an on-delay starts anew */
  step(seen: TroubleSeen | undefined, now: MonoSeconds, quiet: boolean): TroubleChange | undefined {
    const isRaised = this.current === 'raised'
    if (!seen || seen.holds === isRaised || (quiet && !isRaised)) {
      this.pendingSince = undefined
      return undefined
    }
    const { heldSeconds } = seen
    this.pendingSince = heldSeconds === undefined ? (this.pendingSince ?? now) : addSeconds(now, -heldSeconds)
    const { onDelaySeconds, offDelaySeconds } = this.timing
    if (now - this.pendingSince < (isRaised ? offDelaySeconds : onDelaySeconds) - slackSeconds)
      return undefined
    const since = this.pendingSince
    this.restore(isRaised ? 'normal' : 'raised')
    return { to: this.current, since, seen }
  }
}

/** A minute's end comes some milliseconds early or late. */
const slackSeconds = 0.5
