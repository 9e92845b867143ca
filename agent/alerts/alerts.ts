/**
 * alerts: threshold rules with delays and a deadband, so that a value trembling about a level raises once.
 *
 * In: for each rule, each minute, the average it watches with its data capture, and the monotonic time.
 * Out: a change, when there is one: raised, or back below (back above for a rule that watches for low values).
 * Assumed: `step` is called once a minute; state is restored with `restore` after a restart.
 * Refused: an average with too little data capture, or of a window too little of which was recorded, is no evidence,
 * neither for raising nor for going back: no data is not 'all clear', and the alert says since when it does not know.
 * A window in which nothing was planned is no evidence either, but no lack of it: the alert keeps what it knew.
 *
 * Inside, the words are those of IEC 62682 / ISA-18.2 (on-delay, off-delay, deadband; from memory).
 */
import type { Average, MonoSeconds, WindowName } from '../terms/terms.js'

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
  private pendingSince: number | undefined
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

  /** @param quiet somebody is at the station: nothing is raised, and an on-delay starts anew; going back is told. */
  step(average: Average, now: MonoSeconds, quiet = false): AlertChange | undefined {
    if (average.plannedSeconds === 0 && average.recordedSeconds !== 0) return this.sleep(now)
    this.nothingPlannedSince = undefined
    this.asleep = false
    if (!this.isEvidence(average)) {
      this.withoutEvidenceSince ??= now
      this.pendingSince = undefined
      return undefined
    }
    this.withoutEvidenceSince = undefined
    const turns = this.current === 'normal' ? !quiet && this.isBeyond(average.mean) : this.isBack(average)
    if (!turns) {
      this.pendingSince = undefined
      return undefined
    }
    this.pendingSince ??= now
    const delay = this.current === 'normal' ? this.rule.onDelaySeconds : this.rule.offDelaySeconds
    if (now - this.pendingSince < delay) return undefined
    return this.change(average)
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
    const since = this.pendingSince as MonoSeconds
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
