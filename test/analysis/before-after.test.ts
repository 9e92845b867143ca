import jstat from 'jstat'
import { describe, expect, it } from 'vitest'
import {
  matchedChange,
  seasonDistance,
  seasonsDiffer,
  usualBlockDays,
  widenedInterval,
  type WeekdayHours,
} from '../../agent/analysis/analysis.js'

const dayOf = (weekday: number, value: number): WeekdayHours => ({
  weekday,
  hours: Array(24).fill(value) as number[],
})
const year = Array.from({ length: 365 }, (_, day) => day)

describe('the change between like hours of the week', () => {
  it('weighs each hour by how well both sides know it, and passes over what only one has', () => {
    const before = [dayOf(0, 10), dayOf(0, 20), dayOf(1, 50), undefined]
    const after = [dayOf(0, 18), dayOf(1, 56), dayOf(1, 60), dayOf(6, 999)]
    // By hand: weekday 0 changes by 3 and weekday 1 by 8, both with weight 2/3.
    expect(matchedChange(before, after)).toBeCloseTo(5.5, 12)
    expect(matchedChange([dayOf(0, 1)], [dayOf(1, 1)])).toBeNaN()
  })
})

describe('the season', () => {
  it('is the same a year later and across the new year, and another after a half-year', () => {
    const shifted = (by: number): number[] => year.slice(0, 90).map((day) => day + by)
    expect(seasonDistance(shifted(0), shifted(365))).toBeLessThan(1)
    expect(seasonsDiffer(shifted(0), shifted(20))).toBe(false)
    expect(seasonsDiffer([360, 361, 362], [366, 367, 368])).toBe(false)
    expect(seasonsDiffer(shifted(0), shifted(180))).toBe(true)
    expect(seasonsDiffer(year, shifted(365))).toBe(true)
  })
})

describe('an interval of few blocks', () => {
  it('is widened as the t of jstat says, and hardly at all for many', () => {
    const [low, high] = widenedInterval(1, [-0.959964, 2.959964], 12)
    // The expansion stops at the second term: a thousandth is left at ten degrees of freedom.
    expect(high - 1).toBeCloseTo(jstat.studentt.inv(0.975, 10) * Math.sqrt(12 / 10), 2)
    expect(1 - low).toBeCloseTo(high - 1, 12)
    expect(widenedInterval(0, [-1, 1], 2000)[1]).toBeCloseTo(1, 2)
    expect(widenedInterval(0, [-1, 1], 3)).toEqual([-Infinity, Infinity])
  })

  it('has longer blocks where days lean on each other, at most a quarter of the days', () => {
    const alternating = Array.from({ length: 64 }, (_, i) => (i % 2 ? 1 : -1))
    const drifting = Array.from({ length: 64 }, (_, i) => i)
    expect(usualBlockDays(alternating)).toBe(4)
    expect(usualBlockDays(drifting)).toBe(16)
    expect(usualBlockDays([5, 5, 5, 5])).toBe(1)
  })
})
