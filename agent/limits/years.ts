/**
 * Figures over quarters, years and three years as 40 CFR 50 defines them: Appendix N for PM2.5, Appendix K for PM10. They
 * are arithmetic. One indicative station neither meets nor fails a standard by them, and no sentence of this program says so.
 */
import {
  compare,
  dividedBy,
  exact,
  isAbove,
  meanOf,
  plus,
  rounded,
  sumOf,
  times,
  toNumber,
  whole,
  type Exact,
} from './exact.js'

const hundredth = exact(0.01)
const tenth = exact(0.1)
const one = whole(1)
const ten = whole(10)
const leastCapturePercent = 75

/**
 * Table 1 of Appendix N: the place of the 98th percentile, counted from the highest, by the number of creditable samples.
 * Each entry is the last count of its row. The row 101-150 was read; the others are from memory and equal n - floor(0.98 n).
 */
const lastCountOfRank = [50, 100, 150, 200, 250, 300, 350, 366] as const

/** Undefined without samples or with more than a leap year has days. */
export function rank98(creditableSamples: number): number | undefined {
  if (!(creditableSamples >= 1)) return undefined
  const row = lastCountOfRank.findIndex((last) => creditableSamples <= last)
  return row < 0 ? undefined : row + 1
}

/**
 * The 98th percentile of a year (Appendix N 4.5(a)). Samples beyond the creditable ones compete for the place but do not
 * change it.
 */
export function percentile98(
  dailyValues: readonly number[],
  creditableSamples = dailyValues.length,
): { readonly rankFromTop: number; readonly value: number } | undefined {
  const rankFromTop = rank98(creditableSamples)
  if (rankFromTop === undefined || rankFromTop > dailyValues.length) return undefined
  const value = [...dailyValues].sort((a, b) => b - a)[rankFromTop - 1]
  return { rankFromTop, value }
}

export interface Capture {
  /** Rounded to the nearest whole number, as the rule says. */
  readonly percent: number
  readonly complete: boolean
}

/** Data capture of a quarter (Appendix N 1.0(c), 4.1(b)): 74.7 % counts as 75 and is enough. */
export function quarterCapture(creditable: number, scheduled: number): Capture {
  if (scheduled <= 0) return { percent: 0, complete: false }
  const percent = toNumber(rounded(dividedBy(whole(creditable * 100), scheduled), one))
  return { percent, complete: percent >= leastCapturePercent }
}

export interface AnnualMean {
  /** Undefined for a quarter without a day. */
  readonly quarterMeans: readonly (number | undefined)[]
  /** Mean of the four quarters; undefined when one of them is empty. */
  readonly mean?: number
}

/** The annual mean of Appendix N (equations 1 and 2): the mean of each quarter first, then of the four, nothing rounded. */
export function annualMean(quarters: readonly (readonly number[])[]): AnnualMean {
  const means = quarters.map((days) => meanOf(days.map(exact)))
  const whole4 = means.length === 4 && means.every((mean) => mean !== undefined)
  const mean = whole4 ? meanOf(means as Exact[]) : undefined
  return {
    quarterMeans: means.map((quarter) => quarter && toNumber(quarter)),
    ...(mean ? { mean: toNumber(mean) } : {}),
  }
}

/** 0 to 3 for a day written 'YYYY-MM-DD'. */
export const quarterOf = (day: string): number => Math.floor((Number(day.slice(5, 7)) - 1) / 3)

/**
 * Whether a year with a quarter of poor capture may still be used (Appendix N 4.1(b)): each quarter has at least 11
 * creditable samples and the result is above the level.
 */
export function usableAnnualYear(
  captures: readonly Capture[],
  creditable: readonly number[],
  mean: number,
  level: number,
): boolean {
  if (captures.length !== 4) return false
  if (captures.every((capture) => capture.complete)) return true
  return creditable.every((count) => count >= 11) && isAbove(rounded(exact(mean), tenth), exact(level))
}

/** For the 24-hour form a year of poor capture counts when its 98th percentile is above the level (Appendix N 4.2(b)). */
export const usableDailyYear = (captures: readonly Capture[], percentile: number, level: number): boolean =>
  captures.length === 4 &&
  (captures.every((capture) => capture.complete) || isAbove(rounded(exact(percentile), one), exact(level)))

export interface DesignValue {
  /** Before rounding. */
  readonly mean: number
  /** Rounded as the standard says. */
  readonly value: number
  /** The arithmetic of the standard, not a finding about the place. */
  readonly met: boolean
}

function designValue(years: readonly number[], level: number, step: Exact): DesignValue | undefined {
  const mean = years.length === 3 ? meanOf(years.map(exact)) : undefined
  if (!mean) return undefined
  const value = rounded(mean, step)
  return { mean: toNumber(mean), value: toNumber(value), met: !isAbove(value, exact(level)) }
}

/** Mean of three yearly 98th percentiles, to the nearest 1 µg/m³ (Appendix N 4.3(b)). Undefined unless there are three. */
export const dailyDesignValue = (percentiles: readonly number[], level: number): DesignValue | undefined =>
  designValue(percentiles, level, one)

/** Mean of three annual means, to the nearest 0.1 µg/m³ (Appendix N 4.3(a)). Undefined unless there are three. */
export const annualDesignValue = (means: readonly number[], level: number): DesignValue | undefined =>
  designValue(means, level, tenth)

/** A daily PM10 value as Appendix K compares it: to the nearest 10, 5 upwards. 154 is not above 150, 155 is. */
export function exceedance10(
  daily: number,
  level: number,
): { readonly rounded: number; readonly above: boolean } {
  const value = rounded(exact(daily), ten)
  return { rounded: toNumber(value), above: isAbove(value, exact(level)) }
}

/** Estimated exceedances of a quarter (Appendix K): seen x days in the quarter / days with data, to 0.01. */
export function quarterExceedances(
  seen: number,
  daysInQuarter: number,
  daysSampled: number,
): number | undefined {
  if (daysSampled <= 0) return undefined
  return toNumber(rounded(dividedBy(whole(seen * daysInQuarter), daysSampled), hundredth))
}

/** With extra samples on unscheduled days: exceedances are averaged inside each scheduled interval first (Appendix K). */
export function stratifiedExceedances(
  strata: readonly { readonly exceedances: number; readonly samples: number }[],
  daysInQuarter: number,
): number | undefined {
  const sampled = strata.filter(({ samples }) => samples > 0)
  if (sampled.length === 0) return undefined
  const shares = sampled.map(({ exceedances, samples }) => dividedBy(whole(exceedances), samples))
  const perStratum = dividedBy(whole(daysInQuarter), sampled.length)
  return toNumber(rounded(times(sumOf(shares), perStratum), hundredth))
}

/** Estimated exceedances of a year: the sum of its quarters, to 0.1. */
export function yearExceedances(quarters: readonly number[]): {
  readonly sum: number
  readonly rounded: number
} {
  const sum = quarters.map(exact).reduce(plus, whole(0))
  return { sum: toNumber(sum), rounded: toNumber(rounded(sum, tenth)) }
}

/** Expected exceedances per year: the mean of the years, to 0.1; the arithmetic holds at 1.0 or less. */
export function expectedExceedances(
  years: readonly number[],
): { readonly mean: number; readonly expected: number; readonly met: boolean } | undefined {
  const mean = meanOf(years.map(exact))
  if (!mean) return undefined
  const expected = rounded(mean, tenth)
  return { mean: toNumber(mean), expected: toNumber(expected), met: compare(expected, one) <= 0 }
}
