import { linearRegression } from 'simple-statistics'
import { describe, expect, it } from 'vitest'
import { fitCorrection, lagTest, type DayPairs } from '../../agent/analysis/analysis.js'
import { seededRandom } from '../../agent/simulation/random.js'

const seed = Number(process.env.SEED ?? 20261125)
console.info(`seed ${seed}`)
const { next, normal } = seededRandom(seed)

const days: DayPairs[] = Array.from({ length: 20 }, (_, day) => {
  const unit = Array.from({ length: 1 + (day % 24) }, () => 10 + 40 * next())
  return { unit, reference: unit.map((value) => 3 + 0.6 * value + normal()) }
})
const none = { draws: [], blocks: 10 }
const pairsOf = (some: readonly DayPairs[]): number[][] =>
  some.flatMap(({ unit, reference }) => unit.map((value, i) => [value, reference[i]]))

describe('a correction drawn from days side by side', () => {
  it('is the least-squares line of reference on unit, as simple-statistics draws it', () => {
    const fit = fitCorrection(days, none)!
    const line = linearRegression(pairsOf(days))
    expect(fit.slope).toBeCloseTo(line.m, 10)
    expect(fit.intercept).toBeCloseTo(line.b, 9)
    expect(fit.interceptInterval).toEqual([NaN, NaN])
  })

  it('has in its interval the line of exactly the days that were drawn', () => {
    const draw = [3, 4, 5, 9, 9, 9, 19, 0, 1, 2]
    const fit = fitCorrection(days, { draws: [draw], blocks: 1e12 })!
    const line = linearRegression(pairsOf(draw.map((day) => days[day])))
    expect(fit.slopeInterval[0]).toBeCloseTo(line.m, 9)
    expect(fit.interceptInterval[1]).toBeCloseTo(line.b, 8)
  })

  it('needs ten days, and figures that vary', () => {
    expect(fitCorrection(days.slice(0, 9), none)).toBeUndefined()
    expect(
      fitCorrection(
        days.map(() => ({ unit: [5], reference: [6] })),
        none,
      ),
    ).toBeUndefined()
  })
})

describe('the lag test', () => {
  it('says nothing of fewer than 72 hours, nor of what fits as well as it stands', () => {
    const hours = Array.from({ length: 200 }, () => next())
    expect(lagTest(hours.slice(0, 71), hours.slice(0, 71)).slipHours).toBeUndefined()
    expect(lagTest(hours, hours).slipHours).toBe(0)
    expect(lagTest(hours, Array(200).fill(NaN) as number[])).toEqual({ fits: [] })
    expect(lagTest(hours, [NaN, NaN, ...hours]).slipHours).toBe(2)
  })

  it('finds a slip of one hour in slow air that a noisy unit follows, and none where there is none', () => {
    for (const slip of [-1, 0, 1]) {
      let weather = 0
      const air = Array.from({ length: 24 * 40 + 2 }, () =>
        Math.exp((weather = 0.992 * weather + 0.1 * normal())),
      )
      const unit = air.map((value, i) => (air[i - slip] ?? value) + normal() * 0.35)
      expect(lagTest(air.slice(1, -1), unit.slice(1, -1)).slipHours).toBe(slip)
    }
  })
})
