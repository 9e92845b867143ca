import { describe, expect, it } from 'vitest'
import { PairAgreement, type PairHour } from '../../agent/screening/screening.js'

function hourOf(meanA: number, meanB: number, usedB = 60): PairHour | 'too-little' | undefined {
  const pair = new PairAgreement()
  for (let minute = 0; minute < 59; minute++) expect(pair.take(60, 60, meanA, usedB, meanB)).toBeUndefined()
  return pair.take(60, 60, meanA, usedB, meanB)
}

describe('two sensors in one box', () => {
  it('are compared at the end of each hour by deviation and variation', () => {
    // By hand: 10 and 14 have mean 12 and standard deviation 4/sqrt(2) = 2.828, which is 23.57 % of 12.
    const hour = hourOf(10, 14) as PairHour
    expect(hour.means[0]).toBeCloseTo(10, 9)
    expect(hour.means[1]).toBeCloseTo(14, 9)
    expect(hour.deviationMicrograms).toBeCloseTo(2.8284, 4)
    expect(hour.variationPercent).toBeCloseTo(23.57, 2)
    expect(hour.agree).toBe(true)
  })

  it('agree within 5 ug/m3 or 30 %, and disagree only beyond both (EPA/600/R-20/280, table ES-2)', () => {
    expect((hourOf(1, 7) as PairHour).agree).toBe(true) // deviation 4.2
    expect((hourOf(100, 140) as PairHour).agree).toBe(true) // variation 23.6 %
    expect((hourOf(20, 40) as PairHour).agree).toBe(false) // deviation 14.1, variation 47 %
  })

  it('say nothing of an hour in which they shared less than 45 min', () => {
    expect(hourOf(20, 40, 44)).toBe('too-little')
    expect(hourOf(20, 40, 45)).not.toBe('too-little')
  })

  it('are compared over the minutes that both measured', () => {
    const pair = new PairAgreement()
    let hour: PairHour | 'too-little' | undefined
    for (let minute = 0; minute < 60; minute++)
      hour = pair.take(60, 60, minute < 10 ? 900 : 20, minute < 10 ? 0 : 60, minute < 10 ? NaN : 21)
    expect(hour).toMatchObject({ agree: true, sharedSeconds: 3000 })
    expect((hour as PairHour).means[0]).toBeCloseTo(20, 9)
  })

  it('begin each hour anew', () => {
    const pair = new PairAgreement()
    for (let minute = 0; minute < 60; minute++) pair.take(60, 60, 20, 60, 90)
    for (let minute = 0; minute < 59; minute++) pair.take(60, 60, 20, 60, 20)
    expect(pair.take(60, 60, 20, 60, 20)).toMatchObject({ agree: true, deviationMicrograms: 0 })
  })
})
