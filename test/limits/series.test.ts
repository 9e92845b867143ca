import { describe, expect, it } from 'vitest'
import { BlockSums, dayFigure, hourAt } from '../../agent/averages/averages.js'
import {
  daysOf,
  dayValue,
  hourMeanOf,
  hourOfDayMeans,
  HourSeries,
  plainDay,
  rollingMaximum,
  standardHour,
  twelveHours,
} from '../../agent/limits/limits.js'
import { isBalanced, utcMillis } from '../../agent/terms/terms.js'
import { firstHour, hourMillis, hoursFrom, tenthsRule } from './made.js'

describe('a series of hours', () => {
  it('without an hour has no day, no maximum and no hour of the day', () => {
    const none = new HourSeries([])
    expect(daysOf(none, plainDay)).toEqual([])
    expect(rollingMaximum(none)).toBeUndefined()
    expect(hourOfDayMeans(none)).toEqual(Array(24).fill(undefined))
    expect(twelveHours(none, firstHour)).toEqual(Array(12).fill(undefined))
  })

  it('of one hour makes a day that is not valid, with its mean so far', () => {
    const one = new HourSeries(hoursFrom([7]))
    expect(daysOf(one, plainDay)).toEqual([
      { day: '2026-03-01', figure: { valid: false, hours: 1, soFar: 7 } },
    ])
  })

  it('takes what counts, once, and says why it did not take the rest', () => {
    const [hour] = hoursFrom([5])
    const series = new HourSeries([
      hour,
      { ...hour, mean: 9 },
      { ...hour, start: hour.start + hourMillis, counted: false },
      { ...hour, start: hour.start + 2 * hourMillis, mean: NaN },
      { ...hour, start: hour.start + 60_000 },
    ])
    expect(series.at(hour.start)).toBe(5)
    const counts = series.counts()
    expect(isBalanced(counts)).toBe(true)
    expect(counts.refused).toEqual({ 'not-counted': 2, 'double-hour': 1, 'not-a-whole-hour': 1 })
  })

  it('has 24 hours on both weekends on which clocks are changed, and on the leap day', () => {
    for (const first of ['2024-03-10', '2024-11-03', '2024-03-31', '2024-10-27', '2024-02-29']) {
      const instant = Date.parse(`${first}T08:00:00Z`)
      const hours = Array.from({ length: 24 }, (_, i) => utcMillis(instant + i * hourMillis))
      const standard = hours.map((at) => standardHour(at, -480))
      expect(standard.map(({ hour }) => hour)).toEqual(hours.map((_, i) => i))
      expect(new Set(standard.map(({ day }) => day))).toEqual(new Set([first]))
    }
  })

  it('keeps readings below zero of a sensor with a negative offset', () => {
    const day = dayValue(Array<number>(24).fill(-0.36), tenthsRule)
    expect(day).toMatchObject({ valid: true, value: -0.3 })
    expect(dayValue(Array<number>(24).fill(-0.04), tenthsRule)).toMatchObject({ value: 0 })
  })

  it('of more than 24 hours is no day: a bug of the caller', () => {
    expect(() => dayValue(Array<number>(25).fill(1), plainDay)).toThrow(RangeError)
  })
})

describe('hours made of records', () => {
  it('enter a day as they are counted there: full and sampled ones, not short ones', () => {
    const sums = new BlockSums(900)
    const piece = { seconds: 900, plannedSeconds: 900, marked: false, over: false }
    for (let quarter = 0; quarter < 20 * 4; quarter++)
      sums.add({ ...piece, from: firstHour + quarter * 900_000, usedSeconds: 900, mean: 10 + (quarter % 7) })
    sums.add({ ...piece, from: firstHour + 20 * hourMillis, usedSeconds: 900, mean: 500 })
    const day = dayFigure(sums, firstHour / (24 * hourMillis))
    const series = new HourSeries(
      Array.from({ length: 24 }, (_, i) => hourMeanOf(hourAt(sums, firstHour + i * hourMillis))),
    )
    const [{ figure }] = daysOf(series, plainDay)
    expect(figure).toMatchObject({ valid: true, hours: 20 })
    expect(figure.valid && figure.value).toBeCloseTo(day.mean, 9)
  })
})
