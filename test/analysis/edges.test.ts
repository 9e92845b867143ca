import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  complementaryError,
  distance,
  joinBlocks,
  lagOneCorrelation,
  leastSquares,
  leastSquaresHumid,
  medianSlope,
  percentile7,
  percentileNearestRank,
  pm25Targets,
  rankTest,
  sectorOf,
  sideBySide,
  targetVerdict,
} from '../../agent/analysis/analysis.js'

const seed = Number(process.env.SEED ?? 20261125)
console.info(`seed ${seed}`)
const value = fc.integer({ min: -1000, max: 10_000 }).map((tenths) => tenths / 10)

describe('what has no answer', () => {
  it('is undefined, never a made-up number', () => {
    expect(percentile7([], 0.5)).toBeUndefined()
    expect(percentileNearestRank([], 0.5)).toBeUndefined()
    expect(leastSquares([1], [2])).toBeUndefined()
    expect(leastSquares([1, 1, 1], [1, 2, 3])).toBeUndefined()
    expect(leastSquares([1, 2, 3], [5, 5, 5])).toBeUndefined()
    expect(leastSquaresHumid([1, 2, 3, 4], [2, 4, 6, 8], [1, 2, 4, 3])).toBeUndefined()
    expect(distance([], [])).toBeUndefined()
    expect(distance([0, 0], [1, 1])).toEqual({ rmse: 1, bias: 1 })
    expect(medianSlope([1, 1], [2, 3])).toBeUndefined()
    expect(rankTest([], [1])).toBeUndefined()
    expect(sideBySide([NaN, 1], [[1, NaN]])).toBeUndefined()
    expect(lagOneCorrelation([2, 2, 2])).toBeNaN()
  })

  it('is not made of blocks that run over the end', () => {
    expect(joinBlocks([1, 2, 3, 4], [3], 2, false)).toBeUndefined()
    expect(joinBlocks([1, 2, 3, 4], [3], 2, true)).toEqual([4, 1])
    expect(joinBlocks([1, 2, 3, 4], [-1], 2, true)).toBeUndefined()
  })
})

describe('the rank test', () => {
  it('does not depend on order, and turns its sign with the groups', () => {
    const group = fc.array(value, { minLength: 1, maxLength: 12 })
    fc.assert(
      fc.property(group, group, (before, after) => {
        const test = rankTest(before, after)!
        const turned = rankTest(after, [...before].reverse())!
        expect([turned.uBefore, turned.uAfter]).toEqual([test.uAfter, test.uBefore])
        expect(turned.p).toBeCloseTo(test.p, 12)
        expect(turned.shift).toBeCloseTo(-test.shift, 9)
        expect(test.p > 0 && test.p <= 1).toBe(true)
      }),
      { seed },
    )
  })

  it('counts equal values half, and is sure of nothing when all are equal', () => {
    expect(rankTest([5, 5], [5, 5])).toMatchObject({ uBefore: 2, uAfter: 2, p: 1, shift: 0 })
  })

  it('stands on an error function right to 14 digits (values of tables: Abramowitz and Stegun 7.1)', () => {
    expect(complementaryError(0)).toBe(1)
    expect(complementaryError(0.5)).toBeCloseTo(0.4795001221869535, 14)
    expect(complementaryError(1)).toBeCloseTo(0.15729920705028513, 14)
    expect(complementaryError(2) / 0.004677734981047266).toBeCloseTo(1, 11)
    expect(complementaryError(4) / 1.541725790028002e-8).toBeCloseTo(1, 12)
  })
})

describe('percentiles', () => {
  it('lie within the values and do not depend on their order', () => {
    const some = fc.array(value, { minLength: 1, maxLength: 40 })
    fc.assert(
      fc.property(some, fc.double({ min: 0, max: 1, noNaN: true }), (values, share) => {
        for (const percentile of [percentile7, percentileNearestRank]) {
          const found = percentile(values, share)!
          expect(found).toBe(percentile([...values].reverse(), share))
          expect(found >= Math.min(...values) && found <= Math.max(...values)).toBe(true)
        }
      }),
      { seed },
    )
  })

  it('by nearest rank are not moved on by a share that is a hair too large in binary', () => {
    const hundred = Array.from({ length: 100 }, (_, i) => i + 1)
    expect(0.07 * 100).toBeGreaterThan(7)
    expect(percentileNearestRank(hundred, 0.07)).toBe(7)
  })
})

describe('wind sectors', () => {
  it('are centred on north and hold their lower edge', () => {
    expect([348.75, 0, 360, 11.24].map((from) => sectorOf(from, 16))).toEqual([0, 0, 0, 0])
    expect(sectorOf(11.25, 16)).toBe(1)
    expect(sectorOf(348.74, 16)).toBe(15)
    expect(sectorOf(-1, 4)).toBe(0)
  })
})

describe('sensors beside a reference', () => {
  const reference = Array.from({ length: 30 }, (_, i) => 5 + i)
  const sensor = (slope: number) => reference.map((x, i) => slope * x + (i % 2))

  it('are judged with three sensors and thirty days, and only then', () => {
    const three = [sensor(1), sensor(1.05), sensor(0.95)]
    expect(targetVerdict(sideBySide(reference, three)!)).toBe('within-targets')
    expect(targetVerdict(sideBySide(reference, three.slice(1))!)).toBe('indicative-not-judged')
    const short = three.map((values) => values.slice(1))
    expect(targetVerdict(sideBySide(reference.slice(1), short)!)).toBe('indicative-not-judged')
    expect(targetVerdict(sideBySide(reference, [...three, sensor(1.5)])!)).toBe('outside-targets')
  })

  it('leave a day out where one of the two is missing, and of the spread where any sensor is', () => {
    const gaps = sensor(1).map((value, i) => (i < 3 ? NaN : value))
    const run = sideBySide([NaN, ...reference.slice(1)], [gaps, sensor(1)])!
    expect(run.lines.map((line) => line?.pairs)).toEqual([27, 29])
    expect(run.days).toBe(29)
    expect(run.sd).toBe(0)
  })

  it('stand beside targets that name their document', () => {
    expect(pm25Targets.document).toContain('EPA/600/R-20/280')
  })
})
