import { describe, expect, it } from 'vitest'
import { BlockSums, dayFigure, type Piece } from '../../agent/averages/averages.js'
import { judgeDay, notCompared, type ChannelFacts } from '../../agent/limits/limits.js'
import { firstHour, hourMillis, shippedLimit } from './made.js'

const uncompared: ChannelFacts = { basis: 'measured', uncertainty: notCompared }

/** A day of so many full hours, of the same mean each. */
function dayOf(hours: number, mean: number, more: Partial<Piece> = {}) {
  const sums = new BlockSums(900)
  const piece = {
    seconds: 3600,
    plannedSeconds: 3600,
    usedSeconds: 3600,
    marked: false,
    over: false,
    ...more,
  }
  for (let hour = 0; hour < hours; hour++) sums.add({ ...piece, from: firstHour + hour * hourMillis, mean })
  return dayFigure(sums, firstHour / (24 * hourMillis))
}

describe('a day of a station beside a limit', () => {
  const daily = shippedLimit('us-pm2_5-24h')

  it('of 36 against 35 is too close to tell for a sensor that was never compared', () => {
    const { judgement, words } = judgeDay(dayOf(20, 36), daily, uncompared)
    expect(judgement).toMatchObject({ verdict: 'too-close-to-tell', arithmetic: 'above' })
    expect(words).toEqual([
      '20 of 24 h: valid',
      '36.0 against 35: above by arithmetic; too close to tell for a sensor not yet compared',
    ])
  })

  it('of 13 hours has no verdict, and its mean so far is told', () => {
    expect(judgeDay(dayOf(13, 31.2), daily, uncompared).words).toEqual([
      '13 of 24 h: no verdict, mean so far 31.2',
      'no figure against 35: not enough data',
    ])
  })

  it('of 17 hours counts against the US standard when it is high, and not against others', () => {
    const day = dayOf(17, 200)
    expect(judgeDay(day, daily, uncompared)).toMatchObject({
      day: { valid: true, method: 'zero-for-missing', value: 141.6 },
      judgement: { verdict: 'above' },
    })
    expect(judgeDay(day, shippedLimit('who-2021-pm2_5-24h'), uncompared).judgement.verdict).toBe(
      'not-enough-data',
    )
  })

  it('of inferred PM10 at 48 against 50 is not below', () => {
    const { judgement } = judgeDay(dayOf(24, 48), shippedLimit('california-pm10-24h'), {
      ...uncompared,
      basis: 'inferred',
    })
    expect(judgement).toMatchObject({ verdict: 'too-close-to-tell', arithmetic: 'not-above' })
  })

  it('of hours that were over the range is never below', () => {
    const { judgement } = judgeDay(dayOf(24, 5, { over: true }), daily, uncompared)
    expect(judgement).toMatchObject({ verdict: 'too-close-to-tell', doubt: 'over-range' })
  })

  it('of short hours has none: twelve minutes in one quarter-hour are no hour', () => {
    const { day } = judgeDay(dayOf(24, 36, { seconds: 900, usedSeconds: 720 }), daily, uncompared)
    expect(day).toEqual({ valid: false, hours: 0 })
  })
})
