/** The valid days before and after something was done, and what changed between them. */
import {
  changeInterval,
  effectiveCount,
  joinBlocks,
  matchedChange,
  meanOf,
  rankTest,
  usualBlockDays,
  widenedInterval,
  type RankTest,
  type WeekdayHours,
} from '../analysis/analysis.js'
import { leastHoursOfDay, startOfDay, type StandardMillis } from '../averages/averages.js'
import type { BeforeAfterOptions } from './before-after.js'
import { hourMean, hoursBetween, type Hours } from './compare-hours.js'
import { blockStarts } from './compare-seed.js'
import { wrongUse, type Opened } from './desk.js'
import { readSpan, type DeskZone } from './desk-zone.js'

const hourMillis = 3_600_000

/** What changed in one series of days. */
export interface Changed {
  readonly daysBefore: number
  readonly daysAfter: number
  /** Means of daily means, µg/m³. */
  readonly before: number
  readonly after: number
  /** After - before, by hour of the week. */
  readonly change: number
  readonly interval: readonly [number, number]
  readonly blockDays: readonly [number, number]
  /** Of daily means. */
  readonly ranks: RankTest
  /** How many days that do not lean on each other tell as much; NaN where days do not vary. */
  readonly freeDays: readonly [number, number]
}

/** First and last day number of a side, both whole. */
export type Side = readonly [first: number, last: number]
const dayMillis = 86_400_000
const furthest = 8.64e15

/** Whole days before the change and after it: the day on which it was made belongs to neither, unless it was at midnight. */
export function readSides(
  { at, until, from, to }: BeforeAfterOptions,
  zone: DeskZone,
): Opened<readonly [Side, Side]> {
  const change = readSpan(at, undefined, zone)
  if (!change.ok) return wrongUse(change.words.replace('--from', '--at'))
  // A day named as the end of the works is left out whole.
  const end = until === undefined ? change : readSpan(undefined, until, zone)
  if (!end.ok) return wrongUse(end.words.replace('--to', '--until'))
  const ends = readSpan(from, to, zone)
  if (!ends.ok) return ends
  const day = (utc: number): number => (utc + zone.offsetMinutes * 60_000) / dayMillis
  const [first, last] = [Math.ceil(day(ends.value.from)), Math.floor(day(ends.value.to)) - 1]
  const over = until === undefined ? change.value.from : end.value.to
  if (over < change.value.from) return wrongUse(`--until ${until} is before --at ${at}`)
  return {
    ok: true,
    value: [
      [Math.abs(ends.value.from) >= furthest ? -Infinity : first, Math.floor(day(change.value.from)) - 1],
      [Math.ceil(day(over)), Math.abs(ends.value.to) >= furthest ? Infinity : last],
    ],
  }
}

type Days = readonly (WeekdayHours | undefined)[]

export interface SideDays {
  readonly first: number
  /** Series less background, or the series: a day with fewer than 18 hours is undefined. */
  readonly difference: Days
  /** On the same hours of the same days. */
  readonly series: Days
  readonly background: Days
}

export function daysIn([first, last]: Side, series: Hours, background: Hours | undefined): SideDays {
  const held = series.sums.days().filter((day) => day >= first && day <= last)
  if (held.length === 0) return { first: 0, difference: [], series: [], background: [] }
  const days = Array.from({ length: held[held.length - 1] - held[0] + 1 }, (_, i) => held[0] + i)
  const all = days.map((day) => {
    const at = hoursBetween(startOfDay(day), startOfDay(day + 1))
    const own = at.map((hour) => hourMean(series.sums, hour))
    const behind = background ? at.map((hour) => hourMean(background.sums, hour)) : at.map(() => 0)
    const difference = own.map((value, i) => value - behind[i])
    if (difference.filter((value) => !Number.isNaN(value)).length < leastHoursOfDay) return undefined
    const shared = (values: readonly number[]): number[] =>
      values.map((value, i) => (Number.isNaN(difference[i]) ? NaN : value))
    return { weekday: ((day % 7) + 7) % 7, difference, own: shared(own), behind: shared(behind) }
  })
  const part = (of: 'difference' | 'own' | 'behind'): Days =>
    all.map((day) => day && { weekday: day.weekday, hours: day[of] })
  return { first: days[0], difference: part('difference'), series: part('own'), background: part('behind') }
}

export interface Thinned {
  readonly days: Days
  readonly hours: number
  readonly leftOut: number
}

/** Valid days without some of their hours; a day that keeps none is no day. The other hours stay valid: they were. */
export function withoutHours(
  { first, difference }: SideDays,
  isLeftOut: (start: StandardMillis) => boolean,
): Thinned {
  let [hours, leftOut] = [0, 0]
  const days = difference.map((day, i) => {
    if (!day) return undefined
    const kept = day.hours.map((value, hour) => {
      if (Number.isNaN(value)) return NaN
      hours++
      if (!isLeftOut(startOfDay(first + i) + hour * hourMillis)) return value
      leftOut++
      return NaN
    })
    return kept.every(Number.isNaN) ? undefined : { weekday: day.weekday, hours: kept }
  })
  return { days, hours, leftOut }
}

export const validDays = (days: Days): number => days.filter(Boolean).length
export const validNumbers = ({ first, difference }: SideDays): number[] =>
  difference.flatMap((day, i) => (day ? [first + i] : []))

export function changed(before: Days, after: Days, seed: number): Changed {
  const [early, late] = [dailyMeans(before), dailyMeans(after)]
  const blockDays = [usualBlockDays(early), usualBlockDays(late)] as const
  const change = matchedChange(before, after)
  const drawn = changeInterval(resampled(before, after, blockDays, seed))
  const blocks = early.length / blockDays[0] + late.length / blockDays[1]
  return {
    daysBefore: early.length,
    daysAfter: late.length,
    before: meanOf(early),
    after: meanOf(late),
    change,
    interval: widenedInterval(change, drawn, blocks),
    blockDays,
    ranks: rankTest(early, late)!,
    freeDays: [effectiveCount(early), effectiveCount(late)],
  }
}

function* resampled(
  before: Days,
  after: Days,
  [early, late]: readonly [number, number],
  seed: number,
): Generator<[Days, Days]> {
  // Two seeds of one: the sides must not be drawn alike.
  const lates = blockStarts(after.length, late, seed + 0x5eed)
  for (const starts of blockStarts(before.length, early, seed)) {
    const drawn = lates.next()
    if (drawn.done) return
    yield [joinBlocks(before, starts, early, false)!, joinBlocks(after, drawn.value, late, false)!]
  }
}

export const dailyMeans = (days: Days): number[] =>
  days.flatMap((day) => (day ? [meanOf(day.hours.filter((value) => !Number.isNaN(value)))] : []))
