/**
 * Days and rolling 24-h means from hours, in local standard time.
 *
 * A day is valid with at least 18 of its 24 hours (40 CFR 50 App. N 3.0(c); Directive (EU) 2024/2881 Annex V: 75 %); its
 * mean is that of the hours present, each alike, unrounded. A day with fewer hours has no 24-hour mean; what may still be
 * said is its mean so far, and that the day's mean is at least what it would be with 0 in every hour that is missing.
 */
import type { LocalDay } from '../terms/terms.js'
import { dayText, startOfDay, type BlockSums } from './blocks.js'
import { hourAt, isHour, type HourOf, type PeriodFigure } from './hours.js'

export const hoursInDay = 24
export const leastHoursOfDay = 18
const hourMillis = 3_600_000

export interface DayFigure {
  readonly day: LocalDay
  /** Always 24, also on the two weekends on which clocks are changed. */
  readonly hours: readonly PeriodFigure[]
  readonly fullHours: number
  readonly sampledHours: number
  /** At least 18 hours: `mean` is a 24-hour mean. Else it is a mean so far. */
  readonly valid: boolean
  /** Of the hours that count; NaN where there is none. */
  readonly mean: number
  /** Mean of these hours over what carries no warning; NaN unless 18 of them have it. */
  readonly meanUnmarked: number
  /** What the mean of the whole day is at least, whatever the missing hours were; for what cannot be below 0. */
  readonly lowestPossible: number
  readonly highestHour: number
  readonly dataCapture: number
  readonly sampledShare: number
  readonly atLeast: boolean
}

/** Each asked for anew. */
const hoursFrom =
  (sums: BlockSums): HourOf =>
  (from) =>
    hourAt(sums, from)

/**
 * @param sums of quarter-hours
 * @param hourOf its hours, where they are kept
 */
export function dayFigure(sums: BlockSums, day: number, hourOf = hoursFrom(sums)): DayFigure {
  const from = startOfDay(day)
  const hours = Array.from({ length: hoursInDay }, (_, i) => hourOf(from + i * hourMillis))
  const counting = hours.filter(isHour)
  const means = counting.map(({ mean }) => mean)
  const used = sumOf(hours.map(({ usedSeconds }) => usedSeconds))
  const planned = sumOf(hours.map(({ plannedSeconds }) => plannedSeconds))
  return {
    day: dayText(day),
    hours,
    fullHours: hours.filter(({ kind }) => kind === 'full').length,
    sampledHours: hours.filter(({ kind }) => kind === 'sampled').length,
    valid: counting.length >= leastHoursOfDay,
    mean: meanOf(means),
    meanUnmarked: unmarkedOf(counting),
    lowestPossible: sumOf(means) / hoursInDay,
    highestHour: means.length > 0 ? Math.max(...means) : NaN,
    dataCapture: planned > 0 ? Math.min(1, used / planned) : 0,
    sampledShare: Math.min(1, used / (hoursInDay * 3600)),
    atLeast: counting.some((hour) => hour.atLeast),
  }
}

export interface RollingFigure {
  /** NaN with fewer than 18 hours. */
  readonly mean: number
  readonly hours: number
  readonly atLeast: boolean
}

/** The 24 hours that end with the hour at `last`, of hours that count. */
export function rolling24(sums: BlockSums, last: number, hourOf = hoursFrom(sums)): RollingFigure {
  let sum = 0
  let hours = 0
  let atLeast = false
  for (let back = hoursInDay - 1; back >= 0; back--) {
    const hour = hourOf(last - back * hourMillis)
    if (!isHour(hour)) continue
    sum += hour.mean
    hours++
    atLeast ||= hour.atLeast
  }
  return { mean: hours >= leastHoursOfDay ? sum / hours : NaN, hours, atLeast }
}

function unmarkedOf(hours: readonly PeriodFigure[]): number {
  const means = hours.map(({ meanUnmarked }) => meanUnmarked).filter((mean) => !Number.isNaN(mean))
  return means.length >= leastHoursOfDay ? meanOf(means) : NaN
}

const sumOf = (numbers: readonly number[]): number => numbers.reduce((sum, n) => sum + n, 0)

const meanOf = (numbers: readonly number[]): number =>
  numbers.length > 0 ? sumOf(numbers) / numbers.length : NaN
