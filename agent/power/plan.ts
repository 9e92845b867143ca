/**
 * The sampling plan: how much of each hour the sensor runs, decided from the battery alone. Continuous unless the battery
 * needs protection; one decision a day, at standard midnight, and at once when the charge falls below the reserve.
 */

export type SamplingStep = 'continuous' | '5-of-15' | '5-of-60' | 'heartbeat'

export interface StepFacts {
  readonly step: SamplingStep
  /** Share of each hour in which the sensor runs. */
  readonly sensorShare: number
}

/** From rich to poor. Continuous makes full hours, 5 of 15 sampled hours, the others none. */
export const samplingSteps: readonly StepFacts[] = [
  { step: 'continuous', sensorShare: 1 },
  { step: '5-of-15', sensorShare: 1 / 3 },
  { step: '5-of-60', sensorShare: 1 / 12 },
  { step: 'heartbeat', sensorShare: 0 },
]

const rankOf = (step: SamplingStep): number => samplingSteps.findIndex((facts) => facts.step === step)
const lowest = samplingSteps.length - 1

export interface PlanRules {
  /** Battery that is never spent on measurements. */
  readonly reservePercent: number
  /** The sensor and the modem start again so many points above the reserve. */
  readonly resumePoints: number
  /** Where everything stops. */
  readonly cutOffPercent: number
  /** A step must be sustained so long through a bad spell. */
  readonly lookAheadDays: number
}

export const usualRules = { resumePoints: 10, lookAheadDays: 14 } as const

export interface PlanView {
  readonly now: SamplingStep
  /** State of charge; where it is known as a range, its lower part. Absent: no gauge tells, and nothing is decided. */
  readonly percent?: number
  readonly capacityWattHours: number
  /**
   * Charge that the heartbeat alone needs to come through the darkest days of this time of the year (`darkReserves`); absent:
   * not known, and the reserve alone protects.
   */
  readonly darkPercent?: number
  /** What the panel may be trusted to bring a day in a bad spell (1 in 10), after all losses. */
  readonly badSpellWattHours: number
  readonly boardWattHours: number
  /** A day of the sensor running without pause. */
  readonly sensorWattHours: number
  readonly isMidnight: boolean
  /** The station started after its battery had cut it off, and has not recovered since. */
  readonly afterHardCut: boolean
}

export type PlanReason =
  | 'unchanged'
  | 'charge-unknown'
  | 'below-cut-off'
  | 'below-reserve'
  | 'waiting-for-recovery'
  | 'would-not-last'
  | 'sustained-again'

export interface PlanDecision {
  readonly step: SamplingStep
  readonly reason: PlanReason
  /** Days until the reserve is reached in a bad spell with this step; absent: never, or not known. */
  readonly daysToReserve?: number
}

const decided = (view: PlanView, rules: PlanRules, step: SamplingStep, reason: PlanReason): PlanDecision => ({
  step,
  reason,
  daysToReserve: daysToReserve(view, rules, step),
})

/** Wh a day of board and sensor with a step. */
export const dailyWattHours = (boardWattHours: number, sensorWattHours: number, step: SamplingStep): number =>
  boardWattHours + sensorWattHours * samplingSteps[rankOf(step)].sensorShare

/** Undefined: the panel carries the load even then, or the charge is not known. 0: at or below the reserve. */
export function daysToReserve(
  view: Omit<PlanView, 'now' | 'isMidnight' | 'afterHardCut'>,
  rules: PlanRules,
  step: SamplingStep,
): number | undefined {
  if (view.percent === undefined) return undefined
  const above = (Math.max(0, view.percent - rules.reservePercent) / 100) * view.capacityWattHours
  const spent = dailyWattHours(view.boardWattHours, view.sensorWattHours, step) - view.badSpellWattHours
  return spent > 0 ? above / spent : undefined
}

/**
 * What the plan is from now on. Down as far as needed at midnight, up by one step a night and only once the charge stands
 * the resume points above the reserve: a charge that trembles about the reserve changes the plan once.
 */
export function decidePlan(view: PlanView, rules: PlanRules): PlanDecision {
  const { now, percent } = view
  if (percent === undefined) return decided(view, rules, now, 'charge-unknown')
  if (percent < rules.cutOffPercent) return decided(view, rules, 'heartbeat', 'below-cut-off')
  if (percent < rules.reservePercent) return decided(view, rules, 'heartbeat', 'below-reserve')
  const recovered = percent >= rules.reservePercent + rules.resumePoints
  if (view.afterHardCut && !recovered) return decided(view, rules, 'heartbeat', 'waiting-for-recovery')
  if (!view.isMidnight) return decided(view, rules, now, 'unchanged')
  const wanted = samplingSteps.findIndex(({ step }) => lasts(view, rules, step))
  const target = wanted < 0 ? lowest : wanted
  const present = rankOf(now)
  if (target > present) return decided(view, rules, samplingSteps[target].step, 'would-not-last')
  if (target < present && recovered)
    return decided(view, rules, samplingSteps[present - 1].step, 'sustained-again')
  return decided(view, rules, now, 'unchanged')
}

/** Where even a full battery would not do, saving for the dark days only costs hours. */
const mostDarkPercent = 80

const lasts = (view: PlanView, rules: PlanRules, step: SamplingStep): boolean => {
  // Below it every watt-hour for the sensor may be the one that is missing at the end of a dark spell.
  const spent =
    (100 * view.sensorWattHours * samplingSteps[rankOf(step)].sensorShare) / view.capacityWattHours
  const dark = Math.min(mostDarkPercent, view.darkPercent ?? 0)
  if (step !== 'heartbeat' && view.percent! - spent < dark) return false
  const days = daysToReserve(view, rules, step)
  return days === undefined || days >= rules.lookAheadDays
}
