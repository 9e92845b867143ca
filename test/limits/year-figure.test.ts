import { describe, expect, it } from 'vitest'
import {
  daysOf,
  HourSeries,
  yearFigure,
  yearWords,
  type DatedDay,
  type Limit,
} from '../../agent/limits/limits.js'
import { hourMillis, hoursFrom, shippedLimit } from './made.js'

const dayMillis = 24 * hourMillis

/** Days of a year one after the other from 1 January, constant each; undefined for a day without hours. */
function daysUnder(limit: Limit, year: number, means: readonly (number | undefined)[]): DatedDay[] {
  const hours = means.flatMap((mean, day) =>
    hoursFrom(Array<number | undefined>(24).fill(mean), Date.UTC(year, 0, 1) + day * dayMillis),
  )
  return daysOf(new HourSeries(hours), limit.day)
}
const filled = (days: number, of: (day: number) => number | undefined) =>
  Array.from({ length: days }, (_, day) => of(day))

describe('a year of days', () => {
  it('gives one of three 98th percentiles for the US daily standard, with the rank by number of days', () => {
    const limit = shippedLimit('us-pm2_5-24h')
    const days = daysUnder(
      limit,
      2025,
      filled(365, (day) => day / 10),
    )
    expect(yearFigure(days, limit, 2025)).toMatchObject({
      kind: 'percentile-98',
      yearsNeeded: 3,
      value: 35.7,
      rankFromTop: 8,
      validDays: 365,
      capturePercent: 100,
      complete: true,
    })
  })

  it('counts each quarter alike in the US annual mean, and each day alike in the European one', () => {
    const means = filled(365, (day) => (day < 90 ? (day < 10 ? 40 : undefined) : 10))
    const [us, eu] = [shippedLimit('us-pm2_5-annual'), shippedLimit('eu-2008-pm2_5-annual')]
    const ofUs = yearFigure(daysUnder(us, 2025, means), us, 2025)
    expect(ofUs).toMatchObject({ kind: 'annual-mean', value: 17.5, complete: false, yearsNeeded: 3 })
    expect(ofUs.quarters.map(({ percent }) => percent)).toEqual([11, 100, 100, 100])
    expect(yearWords(ofUs)).toBe(
      '2025: annual mean 17.50 µg/m³; 285 of 365 days valid (78 %, incomplete); one of the 3 years that the form needs',
    )
    const ofEu = yearFigure(daysUnder(eu, 2025, means), eu, 2025)
    expect(ofEu).toMatchObject({ validDays: 285, capturePercent: 78, complete: false, yearsNeeded: 1 })
    expect(ofEu.value).toBeCloseTo((10 * 40 + 275 * 10) / 285, 12)
  })

  it('is complete from the share of days that the limit names, rounded to whole percent', () => {
    const eu = shippedLimit('eu-2008-pm10-annual')
    const complete = (days: number) =>
      yearFigure(
        daysUnder(
          eu,
          2025,
          filled(days, () => 8),
        ),
        eu,
        2025,
      ).complete
    // 327 of 365 days are 89.6 %, 326 are 89.3 %.
    expect([326, 327].map(complete)).toEqual([false, true])
  })

  it('scales exceedances of PM10 by the days sampled, quarter by quarter (Appendix K)', () => {
    const limit = shippedLimit('us-pm10-24h')
    const means = filled(365, (day) => (day === 200 ? 155 : day > 180 && day < 234 ? undefined : 154))
    const found = yearFigure(daysUnder(limit, 2025, means), limit, 2025)
    expect(found.quarters[2]).toMatchObject({ days: 92, validDays: 40, daysAbove: 1 })
    expect(found).toMatchObject({ kind: 'estimated-exceedances', value: 2.3 })
  })

  it('counts days above for the guideline and for European daily values', () => {
    for (const id of ['who-2021-pm10-24h', 'eu-2030-pm10-24h']) {
      const limit = shippedLimit(id)
      const days = daysUnder(
        limit,
        2028,
        filled(366, (day) => (day < 5 ? 45.1 : 45)),
      )
      expect(yearFigure(days, limit, 2028)).toMatchObject({ kind: 'days-above', value: 5, days: 366 })
    }
    const who = shippedLimit('who-2021-pm10-24h')
    const oneDay = yearFigure(daysUnder(who, 2028, [50]), who, 2028)
    expect(oneDay.complete).toBeUndefined()
    expect(yearWords(oneDay)).toBe('2028: 1 day above by arithmetic; 1 of 366 days valid (0 %)')
  })

  it('without a valid day, or with a quarter without one where quarters count, has no value', () => {
    const limit = shippedLimit('us-pm2_5-annual')
    expect(yearFigure([], limit, 2025)).toMatchObject({ validDays: 0, capturePercent: 0, complete: false })
    expect(yearFigure([], limit, 2025).value).toBeUndefined()
    const half = daysUnder(
      limit,
      2025,
      filled(150, () => 8),
    )
    expect(yearFigure(half, limit, 2025).value).toBeUndefined()
    expect(yearFigure(half, limit, 2024).validDays).toBe(0)
  })
})
