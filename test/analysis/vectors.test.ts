/** The vectors of ../shared/reference/air-checks.json that belong to analysis; each title names its source. */
import { describe, expect, it } from 'vitest'
import {
  besideTargets,
  effectiveCount,
  joinBlocks,
  lagOneCorrelation,
  leastSquaresHumid,
  meanOf,
  medianSlope,
  percentile7,
  percentileNearestRank,
  rankTest,
  sectorShares,
  sideBySide,
} from '../../agent/analysis/analysis.js'
import { differences, sharedJson, type AirCheck } from '../support/shared-reference.js'

const families = ['stats', 'metrics', 'cpf']
const isHere = ({ topic }: AirCheck): boolean =>
  families.includes(topic.split('/')[0]) || topic === 'rh/linear-fit'
const here = (sharedJson<AirCheck[]>('reference/air-checks.json') ?? []).filter(isHere)

type Answer = Readonly<Record<string, unknown>>
const answers: Readonly<Record<string, (inputs: AirCheck['inputs']) => Answer>> = {
  'stats/percentile': ({ values, p }) => ({
    type7: percentile7(values, p),
    nearestRank: percentileNearestRank(values, p),
  }),
  'stats/mann-whitney': ({ before, after }) => {
    const test = rankTest(before, after)!
    expect(test.method).toBe('exact')
    return {
      uBefore: test.uBefore,
      uAfter: test.uAfter,
      pTwoSidedExact: test.p,
      hodgesLehmannShift: test.shift,
    }
  },
  'stats/theil-sen': ({ t, y }) => {
    const { slope, intercept, risingMinusFalling } = medianSlope(t, y)!
    return { slope, interceptMedianOfResiduals: intercept, mannKendallS: risingMinusFalling }
  },
  'stats/block-resample': ({ series, blockStarts, blockLength, circular }) => {
    const resample = joinBlocks<number>(series, blockStarts, blockLength, circular)!
    return { resample, mean: meanOf(resample) }
  },
  'stats/lag1-neff': ({ series }) => ({
    lag1: lagOneCorrelation(series),
    nEffective: effectiveCount(series),
  }),
  'metrics/collocation': ({ reference24h, sensors24h }) => {
    const { lines, rmse, nrmsePercent, sd, cvPercent } = sideBySide(reference24h, sensors24h)!
    const perSensor = lines.map((line) => ({
      slope: line?.slope,
      intercept: line?.intercept,
      r2: line?.rSquared,
    }))
    return { perSensor, rmse, nrmsePercent, sd, cvPercent }
  },
  'metrics/pm25-targets': ({ r2, ...figures }) => {
    const { rSquared, ...beside } = besideTargets({ ...figures, rSquared: r2 })
    return { ...beside, r2: rSquared }
  },
  'rh/linear-fit': ({ pm, rhPercent, reference }) => {
    const { intercept, slope, perHumidity, rSquared } = leastSquaresHumid(pm, rhPercent, reference)!
    return { a: intercept, b: slope, c: perHumidity, r2: rSquared }
  },
  'cpf/sectors': ({ records, sectors, calmBelow, threshold, thresholdPercentileType7 }) => {
    const winds = (records as { dir: number; speed: number; conc: number }[]).map((record) => ({
      fromDegrees: record.dir,
      speed: record.speed,
      value: record.conc,
    }))
    const blowing = winds.filter(({ speed }) => speed >= calmBelow).map(({ value }) => value)
    const level: number = threshold ?? percentile7(blowing, thresholdPercentileType7)
    const { calm, records: n, above: m, shares } = sectorShares(winds, level, { sectors, calmBelow })
    return { threshold: level, calm, n, m, cpf: shares }
  },
}

describe.skipIf(here.length === 0)('check values of analysis', () => {
  it('belong to a topic that is known', () => {
    expect(here.filter(({ topic }) => !answers[topic]).map(({ topic }) => topic)).toEqual([])
  })

  it.each(here.map((vector) => [`${vector.topic} ${vector.id}: ${vector.source}`, vector] as const))(
    '%s',
    (_, { topic, inputs, expected, tolerance }) => {
      const { perSensor, ...wanted } = expected
      const given = answers[topic](inputs)
      expect(differences(given, wanted, tolerance)).toEqual([])
      const lines = given.perSensor as Answer[] | undefined
      expect(lines?.length).toBe(perSensor?.length)
      lines?.forEach((line, i) => expect(differences(line, perSensor[i], tolerance)).toEqual([]))
    },
  )
})
