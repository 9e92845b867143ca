import { describe, expect, it } from 'vitest'
import { compassPoint, windMean } from '../../agent/analysis/analysis.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'

interface WindVector {
  readonly id: string
  readonly topic: string
  readonly inputs: { readonly directions_deg: number[]; readonly speeds_ms?: number[] }
  readonly expected: Readonly<Record<string, number>>
  readonly tolerance: number
}
const vectors = (sharedJson<WindVector[]>('reference/sound-wind-power-checks.json') ?? []).filter(
  ({ topic }) => topic === 'wind.average',
)

const turn = (a: number, b: number): number => Math.abs(((a - b + 540) % 360) - 180)

describe.skipIf(vectors.length === 0)('the mean of winds', () => {
  for (const { id, inputs, expected, tolerance } of vectors)
    it(`is ${id} of the published rules (EPA-454/R-99-005, Yamartino 1984)`, () => {
      const mean = windMean(
        inputs.directions_deg.map((fromDegrees, i) => ({ fromDegrees, speed: inputs.speeds_ms?.[i] ?? 1 })),
      )!
      if (expected.resultant_direction !== undefined)
        expect(turn(mean.resultantDegrees!, expected.resultant_direction)).toBeLessThanOrEqual(tolerance)
      if (expected.unit_vector_direction !== undefined)
        expect(turn(mean.unitVectorDegrees!, expected.unit_vector_direction)).toBeLessThanOrEqual(tolerance)
      for (const [value, wanted] of [
        [mean.resultantSpeed, expected.resultant_speed],
        [mean.scalarSpeed, expected.scalar_mean_speed],
        [mean.sigmaDegrees, expected.sigma_theta_yamartino],
      ])
        if (wanted !== undefined) expect(Math.abs(value - wanted)).toBeLessThanOrEqual(tolerance)
    })
})

const july = sharedJson<{ sites: { site: string; windJuly2016: Record<string, number> }[] }>(
  'reference/hourly-sites-expected.json',
)
const sectors = 'N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW'.split(' ')

describe.skipIf(!july)('the wind of July 2016', () => {
  for (const { site, windJuly2016: wanted } of july?.sites ?? [])
    it(`at ${site} is what R 4.2 computed (../shared/data/README.md)`, () => {
      const [, ...rows] = sharedText(`data/${site}.csv.gz`).trim().split('\n')
      const winds = rows
        .map((row) => row.split(','))
        .filter(([, year, month, , , , , , , , , , , , , sector, speed]) => {
          const isJuly = year === '2016' && month === '7'
          return isJuly && sectors.includes(sector.replaceAll('"', '')) && speed !== 'NA'
        })
        .map((cells) => ({
          fromDegrees: sectors.indexOf(cells[15].replaceAll('"', '')) * 22.5,
          speed: Number(cells[16]),
        }))
      const mean = windMean(winds)!
      expect(winds).toHaveLength(wanted.n)
      const agrees = (value: number | undefined, expected: number): void =>
        expect(Math.abs(value! - expected)).toBeLessThan(1e-9 * Math.abs(expected))
      agrees(mean.unitVectorDegrees, wanted.unitVectorMeanDeg)
      agrees(mean.resultantDegrees, wanted.resultantMeanDeg)
      agrees(mean.resultantSpeed, wanted.resultantSpeed)
      agrees(mean.scalarSpeed, wanted.scalarMeanSpeed)
      agrees(mean.sigmaDegrees, wanted.yamartinoSigmaDeg)
    })
})

describe('winds without a mean direction', () => {
  it('have none where they cancel out or where there was none', () => {
    expect(windMean([])).toBeUndefined()
    const against = windMean([
      { fromDegrees: 0, speed: 2 },
      { fromDegrees: 180, speed: 2 },
    ])!
    expect(against.resultantDegrees).toBeUndefined()
    expect(against.scalarSpeed).toBe(2)
    expect(windMean([{ fromDegrees: 90, speed: 0 }])!.resultantDegrees).toBeUndefined()
  })

  it('are weighed by the time they stand for', () => {
    const mean = windMean([
      { fromDegrees: 0, speed: 3, weight: 60 },
      { fromDegrees: 90, speed: 3, weight: 60 },
      { fromDegrees: 90, speed: 3, weight: 0 },
    ])!
    expect(mean.resultantDegrees).toBeCloseTo(45, 9)
  })

  it('are told by sixteen points, each around its middle', () => {
    expect([0, 11.24, 11.25, 213, 348.75, 359.9].map(compassPoint)).toEqual([
      'N',
      'N',
      'NNE',
      'SSW',
      'N',
      'N',
    ])
  })
})
