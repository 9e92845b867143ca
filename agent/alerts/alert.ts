/** One rule that watches an average, and its state. */
import { addSeconds, windowSeconds, type Average, type MonoSeconds, type WindowName } from '../terms/terms.js'

export interface AlertRule {
  readonly rule: string
  /** Channel with slot. */
  readonly channel: string
  readonly average: WindowName
  readonly direction: 'above' | 'below'
  readonly level: number
  /** Deadband: the value must pass this, on the good side, to be over. */
  readonly backAt: number
  readonly onDelaySeconds: number
  readonly offDelaySeconds: number
  /** 0 to 1. */
  readonly leastDataCapture: number
  readonly priority: 'low' | 'normal' | 'high'
  /** The level itself is beyond too: 'from 150 on' in place of 'above 150'. */
  readonly reaching?: boolean
  /** Raised only when the window that ended where this one began was beyond as well. */
  readonly twiceRunning?: boolean
  /** Stepped with the figure of a finished day only, of which 18 hours count. */
  readonly onceADay?: boolean
}

export type AlertState = 'normal' | 'raised'

export interface AlertChange {
  readonly rule: AlertRule
  readonly to: AlertState
  /** The average that decided. */
  readonly average: Average
  /** When the condition began to hold without a break. */
  readonly since: MonoSeconds
}

/** The longest pause of a sampling plan is 55 min: what sleeps longer is asleep until the plan changes. */
const longestPauseSeconds = 3600

export class Alert {
  private current: AlertState = 'normal'
  private pendingSince: MonoSeconds | undefined
  private withoutEvidenceSince: MonoSeconds | undefined
  private nothingPlannedSince: MonoSeconds | undefined
  private asleep = false

  /** @param startedAt nothing is known from then until the first step that is. */
  constructor(
    readonly rule: AlertRule,
    startedAt?: MonoSeconds,
  ) {
    this.withoutEvidenceSince = startedAt
  }

  get state(): AlertState {
    return this.current
  }

  /** There is too little data to tell, since then: `state` is what was known before. Undefined while there is enough. */
  get unknownSince(): MonoSeconds | undefined {
    return this.withoutEvidenceSince
  }

  /** The sampling plan has let the sensor sleep for longer than between two windows: `state` is what was known before. */
  get asleepByPlan(): boolean {
    return this.asleep
  }

  /** Puts back what a store's newest alert line says; a delay that was running starts anew. */
  restore(state: AlertState): void {
    this.current = state
    this.pendingSince = undefined
  }

  /**
   * @param quiet somebody is at the station: nothing is raised, and an on-delay starts anew; going back is told
   * @param before the average of the window before, for a rule that wants two running
   */
  step(average: Average, now: MonoSeconds, quiet = false, before?: Average): AlertChange | undefined {
    if (average.plannedSeconds === 0 && average.recordedSeconds !== 0) return this.sleep(now)
    this.nothingPlannedSince = undefined
    this.asleep = false
    if (!this.isEvidence(average)) {
      this.withoutEvidenceSince ??= now
      this.pendingSince = undefined
      return undefined
    }
    this.withoutEvidenceSince = undefined
    const turns = this.current === 'normal' ? !quiet && this.isRaising(average, before) : this.isBack(average)
    if (!turns) {
      this.pendingSince = undefined
      return undefined
    }
    this.pendingSince ??= this.beganAt(now)
    const delay = this.current === 'normal' ? this.rule.onDelaySeconds : this.rule.offDelaySeconds
    if (now - this.pendingSince < delay) return undefined
    return this.change(average)
  }

  private isRaising(average: Average, before: Average | undefined): boolean {
    if (!this.isBeyond(average.mean)) return false
    if (this.rule.twiceRunning !== true) return true
    return before !== undefined && this.isEvidence(before) && this.isBeyond(before.mean)
  }

  /** Of two windows running the first was beyond a window ago. */
  private beganAt(now: MonoSeconds): MonoSeconds {
    const isSecond = this.current === 'normal' && this.rule.twiceRunning === true
    return isSecond ? addSeconds(now, -windowSeconds[this.rule.average]) : now
  }

  /** A delay goes on over the pauses of a plan, and ends in a longer sleep. */
  private sleep(now: MonoSeconds): undefined {
    this.withoutEvidenceSince = undefined
    this.nothingPlannedSince ??= now
    if (now - this.nothingPlannedSince < longestPauseSeconds) return
    this.asleep = true
    this.pendingSince = undefined
  }

  private change(average: Average): AlertChange {
    const since = this.pendingSince!
    this.current = this.current === 'normal' ? 'raised' : 'normal'
    this.pendingSince = undefined
    return { rule: this.rule, to: this.current, average, since }
  }

  /** An hour's average of the first five minutes after a start or a change of unit is no hour's average. */
  private isEvidence(average: Average): boolean {
    const { recordedSeconds = average.windowSeconds, windowSeconds } = average
    const least = this.rule.leastDataCapture
    return average.usedSeconds > 0 && average.dataCapture >= least && recordedSeconds >= least * windowSeconds
  }

  private isBeyond(mean: number): boolean {
    if (this.rule.reaching === true && mean === this.rule.level) return true
    return this.rule.direction === 'above' ? mean > this.rule.level : mean < this.rule.level
  }

  private isBack(average: Average): boolean {
    if (this.rule.direction === 'above') return !average.atLeast && average.mean < this.rule.backAt
    return average.mean > this.rule.backAt
  }
}

/** What people read: never 'alarm cleared' when the value was low to begin with. */
export function alertWord(rule: AlertRule, state: AlertState): string {
  if (state === 'raised') return 'raised'
  return rule.direction === 'above' ? 'back below' : 'back above'
}
