/** One day out of its hours: whether it counts under a rule, and what its mean is. */
import { compare, cut, dividedBy, exact, isExactable, meanOf, sumOf, toNumber, type Exact } from './exact.js'
import type { DayRule } from './kinds.js'

export const hoursOfDay = 24

export type DayMethod = 'hours-present' | 'zero-for-missing'

export type DayValue =
  | {
      readonly valid: true
      readonly method: DayMethod
      /** Hours that counted, 1 to 24. */
      readonly hours: number
      /** As the rule writes it down, µg/m³. */
      readonly value: number
      /** The same before the last cut. */
      readonly uncut: number
    }
  | {
      readonly valid: false
      readonly hours: number
      /** Mean of the hours so far, for the sentence only; undefined with no hour. */
      readonly soFar?: number
    }

/**
 * The value of a day under a rule. 40 CFR 50 Appendix N 3.0(c): 18 hours or more give the mean of the hours present;
 * fewer count only when the mean with zero for each missing hour is above the level. What is written down for such a day
 * is not spelled out there: here it is that substituted mean.
 * @param hours up to 24 hourly means in µg/m³, in any order; NaN or undefined for an hour that does not count
 */
export function dayValue(hours: readonly (number | undefined)[], rule: DayRule): DayValue {
  const present = hours.filter((mean): mean is number => mean !== undefined && isExactable(mean)).map(exact)
  if (present.length > hoursOfDay) throw new RangeError(`a day of ${present.length} hours`)
  const taken = rule.hourCut ? present.map((mean) => cut(mean, rule.hourCut!)) : present
  const mean = meanOf(taken)
  if (mean && taken.length >= rule.hoursNeeded) return valid('hours-present', taken.length, mean, rule)
  const substituted = dividedBy(sumOf(taken), hoursOfDay)
  if (mean && rule.shortDayAtLeast && compare(substituted, rule.shortDayAtLeast) >= 0)
    return valid('zero-for-missing', taken.length, substituted, rule)
  return { valid: false, hours: taken.length, ...(mean ? { soFar: toNumber(mean) } : {}) }
}

function valid(method: DayMethod, hours: number, mean: Exact, rule: DayRule): DayValue {
  const value = rule.dayCut ? cut(mean, rule.dayCut) : mean
  return { valid: true, method, hours, value: toNumber(value), uncut: toNumber(mean) }
}

/** The plain rule: 18 of 24 hours, nothing cut. */
export const plainDay: DayRule = { hoursNeeded: 18 }
