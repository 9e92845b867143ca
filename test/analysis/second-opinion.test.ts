/** Libraries of the registry as a second opinion on regression, quantiles and the rank test: simple-statistics and jstat. */
import fc from 'fast-check'
import jstat from 'jstat'
import { linearRegression, linearRegressionLine, rSquared, wilcoxonRankSum } from 'simple-statistics'
import { describe, expect, it } from 'vitest'
import { complementaryError, leastSquares, percentile7, rankTest } from '../../agent/analysis/analysis.js'

const seed = Number(process.env.SEED ?? 20261125)
console.info(`seed ${seed}`)
const value = fc.integer({ min: 0, max: 5000 }).map((tenths) => tenths / 10)
const series = fc.array(value, { minLength: 3, maxLength: 60 })

describe('a second opinion', () => {
  it('of simple-statistics on least squares is the same line and the same R²', () => {
    fc.assert(
      fc.property(fc.array(fc.tuple(value, value), { minLength: 3, maxLength: 60 }), (pairs) => {
        const line = leastSquares(
          pairs.map(([x]) => x),
          pairs.map(([, y]) => y),
        )
        if (!line) return
        const other = linearRegression(pairs)
        expect(line.slope).toBeCloseTo(other.m, 6)
        expect(line.intercept).toBeCloseTo(other.b, 4)
        expect(line.rSquared).toBeCloseTo(rSquared(pairs, linearRegressionLine(other)), 6)
      }),
      { seed },
    )
  })

  it('of jstat on interpolated percentiles is the same number', () => {
    fc.assert(
      fc.property(series, fc.double({ min: 0.01, max: 0.99, noNaN: true }), (values, share) => {
        expect(percentile7(values, share)).toBeCloseTo(jstat.quantiles(values, [share], 1, 1)[0], 9)
      }),
      { seed },
    )
  })

  it('of simple-statistics on the rank sum and of jstat on the tail is the same test', () => {
    fc.assert(
      fc.property(series, series, (before, after) => {
        const n = before.length
        const rankSum = wilcoxonRankSum(before, after)
        expect(rankTest(before, after)!.uBefore).toBe(rankSum - (n * (n + 1)) / 2)
      }),
      { seed },
    )
    for (const x of [0, 0.1, 0.7, 1.3, 2.9, 3.1]) expect(complementaryError(x)).toBeCloseTo(jstat.erfc(x), 7)
  })
})
