/**
 * The verdict on one figure beside one limit, and beside it the strict arithmetic, labelled as such. A sensor that was
 * never compared carries an uncertainty of half its figure, so most figures near a limit are too close to tell.
 */
import type { Basis } from '../terms/terms.js'
import { cut, exact, isAbove, isExactable, rounded, toNumber, type Exact } from './exact.js'
import type { Comparison, Limit } from './kinds.js'

export const verdicts = ['above', 'below', 'too-close-to-tell', 'not-enough-data'] as const
export type VerdictWord = (typeof verdicts)[number]

/** Half the width of the interval in which the true value is expected: the larger of the two parts, neither below zero. */
export interface Uncertainty {
  /** Share of the figure, 0.5 for ±50 %. */
  readonly relative: number
  /** µg/m³. */
  readonly absolute: number
  readonly source: 'not-compared' | 'side-by-side' | 'reference'
}

/** ±50 %: the class of indicative measurement in EU law (from memory), until a side-by-side run gives its own interval. */
export const notCompared: Uncertainty = { relative: 0.5, absolute: 0, source: 'not-compared' }

/** A figure with what it must not be shown without. */
export interface Figure {
  /** µg/m³; undefined where the rule of the limit gives no value. */
  readonly value?: number
  readonly basis: Basis
  readonly uncertainty: Uncertainty
  /** A part of it was over the range of the sensor. */
  readonly atLeast: boolean
}

/** Why it is too close to tell, or why 'below' may not be said. */
export type Doubt = 'uncertainty' | 'inferred' | 'over-range'

export interface Judgement {
  readonly verdict: VerdictWord
  /** What the bare numbers say, with no regard to uncertainty. */
  readonly arithmetic?: 'above' | 'not-above'
  /** The figure as the rule compares it, µg/m³. */
  readonly compared?: number
  /** Lowest and highest true value that the uncertainty leaves possible, µg/m³. */
  readonly interval?: readonly [number, number]
  readonly doubt?: Doubt
}

/** The figure as it is set beside the level: cut, rounded or left alone, as the document says. */
export function compared(value: number, { method, step }: Comparison): Exact {
  const exactly = exact(value)
  if (method === 'cut') return cut(exactly, step)
  return method === 'round' ? rounded(exactly, step) : exactly
}

/** True when a value is above the level by the arithmetic of the limit. */
export const isAboveLimit = (value: number, limit: Limit): boolean =>
  isAbove(compared(value, limit.comparison), exact(limit.level))

export function intervalOf(value: number, uncertainty: Uncertainty): readonly [number, number] {
  const half = Math.max(uncertainty.absolute, uncertainty.relative * value)
  return [value - half, value + half]
}

/**
 * Above only when even the lowest possible value is above; below only when even the highest is not, the sensor measures
 * the quantity and was not over its range.
 */
export function judge(figure: Figure, limit: Limit): Judgement {
  const { value } = figure
  if (value === undefined || !isExactable(value)) return { verdict: 'not-enough-data' }
  const interval = intervalOf(value, figure.uncertainty)
  const known = {
    arithmetic: isAboveLimit(value, limit) ? 'above' : 'not-above',
    compared: toNumber(compared(value, limit.comparison)),
    interval,
  } as const
  if (isAboveLimit(interval[0], limit)) return { verdict: 'above', ...known }
  const doubt = isAboveLimit(interval[1], limit) ? 'uncertainty' : doubtOfBelow(figure)
  return doubt ? { verdict: 'too-close-to-tell', ...known, doubt } : { verdict: 'below', ...known }
}

function doubtOfBelow({ basis, atLeast }: Figure): Doubt | undefined {
  if (basis === 'inferred') return 'inferred'
  return atLeast ? 'over-range' : undefined
}

/** Days of a year beside a limit that allows a number of them. */
export interface DaysAbove {
  readonly validDays: number
  /** Strictly above by arithmetic. */
  readonly byArithmetic: number
  /** Above even at the lower end of the uncertainty. */
  readonly surely: number
  /** Above at its upper end, or not sure to be below. */
  readonly possibly: number
  readonly allowed?: number
  /** byArithmetic <= allowed; absent where the form allows no number. */
  readonly withinAllowed?: boolean
}

/** @param days one figure a day; days without a value do not count. */
export function daysAbove(days: readonly Figure[], limit: Limit): DaysAbove {
  const judged = days.map((day) => judge(day, limit)).filter(({ verdict }) => verdict !== 'not-enough-data')
  const count = (test: (judgement: Judgement) => boolean): number => judged.filter(test).length
  const byArithmetic = count(({ arithmetic }) => arithmetic === 'above')
  const allowed = limit.allowedDaysAbove
  return {
    validDays: judged.length,
    byArithmetic,
    surely: count(({ verdict }) => verdict === 'above'),
    possibly: count(({ verdict }) => verdict !== 'below'),
    ...(allowed === undefined ? {} : { allowed, withinAllowed: byArithmetic <= allowed }),
  }
}
