import { describe, expect, it } from 'vitest'
import {
  annualDesignValue,
  annualMean,
  dailyDesignValue,
  expectedExceedances,
  percentile98,
  quarterCapture,
  quarterExceedances,
  quarterOf,
  rank98,
  stratifiedExceedances,
  usableAnnualYear,
  usableDailyYear,
} from '../../agent/limits/limits.js'

describe('figures over years', () => {
  it('have no rank without samples, beyond a leap year, or with fewer values than the rank', () => {
    expect([0, 367, NaN].map(rank98)).toEqual([undefined, undefined, undefined])
    expect(percentile98([5], 101)).toBeUndefined()
    expect(percentile98([])).toBeUndefined()
  })

  it('give the rank of the older formula, n - floor(0.98 n), for every number of samples', () => {
    for (let n = 1; n <= 366; n++) expect(rank98(n), `${n}`).toBe(n - Math.floor((98 * n) / 100))
  })

  it('need three years for a design value and four quarters for an annual mean', () => {
    expect(dailyDesignValue([35, 35], 35)).toBeUndefined()
    expect(annualDesignValue([9, 9, 9, 9], 9)).toBeUndefined()
    expect(annualMean([[1], [2], [3]])).toEqual({ quarterMeans: [1, 2, 3] })
    expect(annualMean([[1], [], [3], [4]])).toEqual({ quarterMeans: [1, undefined, 3, 4] })
  })

  it('have no estimate without a day', () => {
    expect(quarterExceedances(0, 92, 0)).toBeUndefined()
    expect(stratifiedExceedances([{ exceedances: 0, samples: 0 }], 92)).toBeUndefined()
    expect(expectedExceedances([])).toBeUndefined()
    expect(quarterCapture(0, 0)).toEqual({ percent: 0, complete: false })
  })

  it('cut the year into calendar quarters', () => {
    const days = ['2028-01-01', '2028-03-31', '2028-04-01', '2028-06-30', '2028-07-01', '2028-12-31']
    expect(days.map(quarterOf)).toEqual([0, 0, 1, 1, 2, 3])
  })
})

describe('a year with poor capture (40 CFR 50 App. N 4.1(b), 4.2(b))', () => {
  const full = quarterCapture(90, 92)
  const poor = quarterCapture(11, 92)

  it('is used for the annual form only when it is above with 11 days in each quarter', () => {
    const captures = [full, full, full, poor]
    expect(usableAnnualYear([full, full, full, full], [90, 90, 90, 90], 5, 9)).toBe(true)
    expect(usableAnnualYear(captures, [90, 90, 90, 11], 9.05, 9)).toBe(true)
    expect(usableAnnualYear(captures, [90, 90, 90, 11], 9.04, 9)).toBe(false)
    expect(usableAnnualYear(captures, [90, 90, 90, 10], 30, 9)).toBe(false)
    expect(usableAnnualYear([full, full, full], [90, 90, 90], 30, 9)).toBe(false)
  })

  it('is used for the 24-hour form only when its percentile is above', () => {
    const captures = [poor, poor, poor, poor]
    expect(usableDailyYear([full, full, full, full], 20, 35)).toBe(true)
    expect(usableDailyYear(captures, 35.5, 35)).toBe(true)
    expect(usableDailyYear(captures, 35.4, 35)).toBe(false)
    expect(usableDailyYear([], 99, 35)).toBe(false)
  })
})
