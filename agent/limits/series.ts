/** Hours in local standard time: the days they make, running 24 hours, the newest twelve, the hour of the day. */
import { dayText, isHour, type PeriodFigure, type StandardMillis } from '../averages/averages.js'
import { localDay, type LocalDay, type StageCounts, type UtcMillis } from '../terms/terms.js'
import { dayValue, hoursOfDay, type DayValue } from './day-value.js'
import type { DayRule } from './kinds.js'

const hourMillis = 3_600_000

/** One hour of one channel. `mean` in µg/m³ counts only where `counted` is true. */
export interface HourMean {
  /** Start of the hour in local standard time. */
  readonly start: StandardMillis
  readonly mean: number
  readonly counted: boolean
}

/** An hour made of records: full and sampled ones count. */
export const hourMeanOf = (hour: PeriodFigure): HourMean => ({
  start: hour.from,
  mean: hour.mean,
  counted: isHour(hour),
})

/** Hours that count, by their start. */
export class HourSeries {
  private readonly means = new Map<StandardMillis, number>()
  private taken = 0
  private uncounted = 0
  private doubled = 0
  private offHour = 0

  /** An hour may be given once: of two with the same start the first stands. Any order. */
  constructor(hours: Iterable<HourMean>) {
    for (const hour of hours) this.add(hour)
  }

  private add({ start, mean, counted }: HourMean): void {
    this.taken++
    if (start % hourMillis !== 0) this.offHour++
    else if (!counted || !Number.isFinite(mean)) this.uncounted++
    else if (this.means.has(start)) this.doubled++
    else this.means.set(start, mean)
  }

  /** Undefined for an hour that does not count. */
  at(start: StandardMillis): number | undefined {
    return this.means.get(start)
  }

  /** Starts of the hours that count, in order of time. */
  starts(): StandardMillis[] {
    return [...this.means.keys()].sort((a, b) => a - b)
  }

  counts(): StageCounts {
    const refused: Record<string, number> = {}
    if (this.uncounted > 0) refused['not-counted'] = this.uncounted
    if (this.doubled > 0) refused['double-hour'] = this.doubled
    if (this.offHour > 0) refused['not-a-whole-hour'] = this.offHour
    return { taken: this.taken, given: this.means.size, held: 0, refused }
  }
}

/** Day and hour (0 to 23) of an instant in local standard time, which has no summer. */
export function standardHour(at: UtcMillis, offsetMinutes: number): { day: LocalDay; hour: number } {
  return { day: localDay(at, offsetMinutes), hour: hourOfDay(at + offsetMinutes * 60_000) }
}

const hourOfDay = (at: StandardMillis): number => new Date(at).getUTCHours()

export interface DatedDay {
  readonly day: LocalDay
  readonly figure: DayValue
}

/** Every day with an hour that counts, in order of time, under a rule. */
export function daysOf(series: HourSeries, rule: DayRule): DatedDay[] {
  const days = new Map<number, number[]>()
  for (const start of series.starts()) {
    const day = Math.floor(start / (hoursOfDay * hourMillis))
    const hours = days.get(day)
    if (hours) hours.push(series.at(start)!)
    else days.set(day, [series.at(start)!])
  }
  return [...days].map(([day, hours]) => ({ day: dayText(day), figure: dayValue(hours, rule) }))
}

export interface RollingMaximum {
  readonly mean: number
  /** Hours of the window that counted. */
  readonly hours: number
  /** Start of the last hour of the window; of equal windows the first. */
  readonly lastHour: StandardMillis
}

/**
 * The largest mean over 24 hours one after the other, of which at least `hoursNeeded` count. The window may end at an hour
 * that is missing. Undefined when no window has enough.
 */
export function rollingMaximum(series: HourSeries, hoursNeeded = 18): RollingMaximum | undefined {
  const starts = series.starts()
  let best: RollingMaximum | undefined
  let after = -Infinity
  for (const start of starts) {
    // Between two hours further apart than a day no window holds anything.
    for (let last = Math.max(start, after); last < start + hoursOfDay * hourMillis; last += hourMillis) {
      const window = windowEnding(series, last)
      if (window.hours >= hoursNeeded && (!best || window.mean > best.mean)) best = window
      after = last + hourMillis
    }
  }
  return best
}

function windowEnding(series: HourSeries, last: number): RollingMaximum {
  let sum = 0
  let hours = 0
  for (let back = hoursOfDay - 1; back >= 0; back--) {
    const mean = series.at(last - back * hourMillis)
    if (mean === undefined) continue
    sum += mean
    hours++
  }
  return { mean: sum / hours, hours, lastHour: last }
}

/** The hour that starts at `newest` and the eleven before it, newest first, as the NowCast wants them. */
export const twelveHours = (series: HourSeries, newest: StandardMillis): (number | undefined)[] =>
  Array.from({ length: 12 }, (_, back) => series.at(newest - back * hourMillis))

/** Mean and number of hours for each hour of the day; undefined where there is none. */
export function hourOfDayMeans(
  series: HourSeries,
): readonly ({ readonly mean: number; readonly hours: number } | undefined)[] {
  const sums = new Float64Array(hoursOfDay)
  const counts = new Uint32Array(hoursOfDay)
  for (const start of series.starts()) {
    const hour = hourOfDay(start)
    sums[hour] += series.at(start)!
    counts[hour]++
  }
  return Array.from(counts, (hours, hour) => (hours > 0 ? { mean: sums[hour] / hours, hours } : undefined))
}
