/**
 * How much a series changed: each hour of the week beside the same hour of the week, so that neither more weekends nor
 * more nights on one side look like a change; and whether the two spans lie in the same season.
 */
import { lagOneCorrelation } from './resample.js'
import { percentile7 } from './spread.js'

/** A valid day: 24 hourly figures, NaN where one is missing. */
export interface WeekdayHours {
  /** 0 to 6, whichever day is 0. */
  readonly weekday: number
  readonly hours: readonly number[]
}

const hoursOfWeek = 7 * 24

/** Sums and counts by hour of the week. */
class WeekSums {
  readonly sums = new Float64Array(hoursOfWeek)
  readonly counts = new Uint32Array(hoursOfWeek)

  add({ weekday, hours }: WeekdayHours): void {
    for (let hour = 0; hour < 24; hour++) {
      if (Number.isNaN(hours[hour])) continue
      this.sums[weekday * 24 + hour] += hours[hour]
      this.counts[weekday * 24 + hour]++
    }
  }
}

function sumsOf(days: readonly (WeekdayHours | undefined)[]): WeekSums {
  const sums = new WeekSums()
  for (const day of days) if (day) sums.add(day)
  return sums
}

/**
 * Mean of after - before over the hours of the week that both have; each weighs n m / (n + m), as differences of means of n
 * and m values do when all scatter alike. NaN where they share none.
 */
export function matchedChange(
  before: readonly (WeekdayHours | undefined)[],
  after: readonly (WeekdayHours | undefined)[],
): number {
  const [early, late] = [sumsOf(before), sumsOf(after)]
  let sum = 0
  let weights = 0
  for (let i = 0; i < hoursOfWeek; i++) {
    const [n, m] = [early.counts[i], late.counts[i]]
    if (n === 0 || m === 0) continue
    const weight = (n * m) / (n + m)
    sum += weight * (late.sums[i] / m - early.sums[i] / n)
    weights += weight
  }
  return weights > 0 ? sum / weights : NaN
}

/**
 * 95 % interval of `matchedChange`: percentiles 2.5 and 97.5 over resampled spans.
 * @param draws pairs of resampled days before and after, in blocks (`joinBlocks`); missing days stay in as undefined
 */
export function changeInterval(
  draws: Iterable<readonly [readonly (WeekdayHours | undefined)[], readonly (WeekdayHours | undefined)[]]>,
): readonly [number, number] {
  const changes = Array.from(draws, ([before, after]) => matchedChange(before, after)).filter(Number.isFinite)
  return [percentile7(changes, 0.025) ?? NaN, percentile7(changes, 0.975) ?? NaN]
}

/**
 * Days of a block for daily means that follow each other: (6 n)^(1/3) (r / (1 - r²))^(2/3) for a first-order chain with
 * correlation r from day to day (Carlstein 1986), at least the cube root of n, at most a quarter of the days.
 */
export function usualBlockDays(means: readonly number[]): number {
  const n = means.length
  const r = Math.max(0, Math.min(0.9, lagOneCorrelation(means) || 0))
  const wanted = Math.max(Math.cbrt(n), Math.cbrt(6 * n) * (r / (1 - r * r)) ** (2 / 3))
  return Math.max(1, Math.round(Math.min(wanted, n / 4)))
}

const normal975 = 1.959964

/**
 * Few blocks scatter less than what they are drawn from: the interval is widened about the change by what Student's t for
 * blocks - 2 has over the normal (Cornish-Fisher expansion), and by the root of blocks / (blocks - 2).
 * @param blocks of both sides together; with three or fewer there is no interval
 */
export function widenedInterval(
  change: number,
  [low, high]: readonly [number, number],
  blocks: number,
): readonly [number, number] {
  const free = blocks - 2
  if (free <= 1) return [-Infinity, Infinity]
  const z = normal975
  const student = z + (z ** 3 + z) / (4 * free) + (5 * z ** 5 + 16 * z ** 3 + 3 * z) / (96 * free ** 2)
  const factor = (student / z) * Math.sqrt(blocks / free)
  return [change + (low - change) * factor, change + (high - change) * factor]
}

const daysInYear = 365.25
/** A month: where the days of one side lie further from those of the other in the year, seasons differ (no source). */
const sameSeasonDays = 30

/** Mean distance in the course of the year from a day of one side to the nearest of the other; the larger of both ways. */
export function seasonDistance(before: readonly number[], after: readonly number[]): number {
  return Math.max(meanNearest(before, after), meanNearest(after, before))
}

export const seasonsDiffer = (before: readonly number[], after: readonly number[]): boolean =>
  seasonDistance(before, after) > sameSeasonDays

function meanNearest(from: readonly number[], to: readonly number[]): number {
  const apart = (a: number, b: number): number => {
    const days = Math.abs(a - b) % daysInYear
    return Math.min(days, daysInYear - days)
  }
  const nearest = from.map((day) => to.reduce((least, other) => Math.min(least, apart(day, other)), Infinity))
  return nearest.reduce((sum, days) => sum + days, 0) / from.length
}
