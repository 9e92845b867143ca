import { describe, expect, it } from 'vitest'
import {
  daysAbove,
  dayValue,
  dayWords,
  judge,
  judgementWords,
  limitWords,
  notCompared,
  verdictWords,
} from '../../agent/limits/limits.js'
import { figure, shippedLimit, tenthsRule } from './made.js'

const daily = shippedLimit('us-pm2_5-24h')
const eu = shippedLimit('eu-2008-pm10-24h')
const uncompared = { uncertainty: notCompared } as const
const inferred = { basis: 'inferred', uncertainty: notCompared } as const

describe('a verdict', () => {
  it('on 36.2 against 35 of a sensor not yet compared is too close to tell, above by arithmetic', () => {
    const given = figure(36.2, uncompared)
    const judged = judge(given, daily)
    expect(judged).toMatchObject({ verdict: 'too-close-to-tell', arithmetic: 'above', doubt: 'uncertainty' })
    expect(judgementWords(given, judged, daily)).toBe(
      '36.2 against 35: above by arithmetic; too close to tell for a sensor not yet compared',
    )
  })

  it('on inferred PM10 of 48 against 50 is not below, and neither is 5', () => {
    for (const value of [48, 5, 0])
      expect(judge(figure(value, inferred), eu).verdict).toBe('too-close-to-tell')
    const given = figure(5, inferred)
    expect(judgementWords(given, judge(given, eu), eu)).toBe(
      '5.0 against 50: not above by arithmetic; too close to tell: at least this much: it is inferred from smaller particles, and coarse dust may be missed',
    )
  })

  it('on inferred PM10 may still be above', () => {
    expect(judge(figure(120, inferred), eu)).toMatchObject({ verdict: 'above', interval: [60, 180] })
  })

  it('is never below when the sensor was over its range', () => {
    expect(judge(figure(5, { atLeast: true }), daily)).toMatchObject({
      verdict: 'too-close-to-tell',
      doubt: 'over-range',
    })
  })

  it('is above or below when the whole interval is', () => {
    expect(judge(figure(80, uncompared), daily).verdict).toBe('above')
    expect(judge(figure(20, uncompared), daily).verdict).toBe('below')
  })

  it('takes the larger of the two parts of an uncertainty', () => {
    const uncertainty = { relative: 0.1, absolute: 5, source: 'side-by-side' } as const
    expect(judge(figure(31, { uncertainty }), daily).verdict).toBe('too-close-to-tell')
    expect(judge(figure(30, { uncertainty }), daily).verdict).toBe('below')
    expect(judge(figure(400, { uncertainty }), daily).interval).toEqual([360, 440])
  })

  it('does not exist without a value', () => {
    for (const value of [undefined, NaN, Infinity])
      expect(judge(figure(value), daily)).toEqual({ verdict: 'not-enough-data' })
    expect(judgementWords(figure(undefined), judge(figure(undefined), daily), daily)).toBe(
      'no figure against 35: not enough data',
    )
  })

  it('without uncertainty is the strict arithmetic of the document: cut for PM2.5, to the nearest 10 for PM10', () => {
    expect(judge(figure(35.09), daily)).toMatchObject({ verdict: 'below', compared: 35 })
    expect(judge(figure(35.1), daily)).toMatchObject({ verdict: 'above', compared: 35.1 })
    const coarse = shippedLimit('us-pm10-24h')
    expect(judge(figure(154.9), coarse)).toMatchObject({ verdict: 'below', compared: 150 })
    expect(judge(figure(155), coarse)).toMatchObject({ verdict: 'above', compared: 160 })
  })

  it('at the level itself is not above', () => {
    expect(judge(figure(50), eu).verdict).toBe('below')
    expect(judge(figure(50.0001), eu).verdict).toBe('above')
  })

  it('never shows a figure as the level itself when it is not, nor a cut one as above it', () => {
    const hair = figure(35.09, uncompared)
    expect(judgementWords(hair, judge(hair, daily), daily)).toContain(
      '35.0 against 35: not above by arithmetic',
    )
    const given = figure(50.04, uncompared)
    expect(judgementWords(given, judge(given, eu), eu)).toContain('50.040 against 50: above by arithmetic')
  })
})

describe('days of a year', () => {
  it('are counted by arithmetic, and as what is sure and what is possible', () => {
    const days = [120, 60, 48, 20, undefined].map((value) => figure(value, uncompared))
    expect(daysAbove(days, eu)).toEqual({
      validDays: 4,
      byArithmetic: 2,
      surely: 1,
      possibly: 3,
      allowed: 35,
      withinAllowed: true,
    })
  })

  it('have no allowed number where the form of the limit knows none', () => {
    expect(daysAbove([figure(99)], daily)).toEqual({ validDays: 1, byArithmetic: 1, surely: 1, possibly: 1 })
  })
})

describe('the words', () => {
  const words = (hours: number, mean: number) =>
    dayWords(dayValue(Array<number>(hours).fill(mean), tenthsRule))

  it('of a day say what may be concluded', () => {
    expect(words(20, 12)).toBe('20 of 24 h: valid')
    expect(words(13, 31.2)).toBe('13 of 24 h: no verdict, mean so far 31.2')
    expect(words(17, 60)).toBe('17 of 24 h: counts, because it is above even with zero for each missing hour')
    expect(words(0, 1)).toBe('0 of 24 h: no verdict')
  })

  it('of a limit name level, form, document and clause', () => {
    expect(limitWords(daily)).toBe(
      'US 24-hour standard: 24-hour mean of 35 µg/m³ (3-year mean of annual 98th percentiles; 40 CFR 50.13 and 50.18, Appendix N, 3.0 and 4.5)',
    )
  })

  it('of verdicts never speak of a standard that is met or attained', () => {
    expect(Object.values(verdictWords)).toEqual(['above', 'below', 'too close to tell', 'not enough data'])
  })
})
