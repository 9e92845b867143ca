/** Agreement, comparison of years and wind sectors of ../shared/data, as R 4.2 computed them independently. */
import { describe, expect, it } from 'vitest'
import {
  distance,
  leastSquares,
  meanOf,
  medianOf,
  percentile7,
  rankTest,
  sectorShares,
} from '../../agent/analysis/analysis.js'
import { daysOf, HourSeries, plainDay } from '../../agent/limits/limits.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'

type Numbers = Readonly<Record<string, number>>
interface Expected {
  readonly sites: readonly {
    readonly site: string
    readonly medianRatio: number
    readonly hoursPm25AbovePm10: number
    readonly pm25: { readonly byYear: Readonly<Record<string, Numbers>> }
    readonly wind2016: {
      readonly pm25P90: number
      readonly cpfCalmBelow: number
      readonly cpf: readonly { sector: string; hours: number; above: number; cpf: number }[]
    }
    readonly compare2016vs2015: Numbers
  }[]
  readonly agreementHourlyPm25: Numbers & { readonly x: string; readonly y: string }
}
const expected = sharedJson<Expected>('reference/hourly-sites-expected.json')

const sectorNames = 'N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW'.split(' ')
const cellNumber = (cell: string): number => (cell === 'NA' ? NaN : Number(cell))

function rowsOf(site: string) {
  const [, ...rows] = sharedText(`data/${site}.csv.gz`).trim().split('\n')
  return rows.map((row) => {
    const cells = row.split(',')
    const [year, month, day, hour] = cells.slice(1, 5).map(Number)
    return {
      year,
      start: Date.UTC(year, month - 1, day, hour),
      pm25: cellNumber(cells[5]),
      pm10: cellNumber(cells[6]),
      sector: sectorNames.indexOf(cells[15].replaceAll('"', '')),
      speed: cellNumber(cells[16]),
    }
  })
}

const agrees = (value: number | undefined, wanted: number, within = 1e-9): void => {
  expect(Math.abs(value! - wanted)).toBeLessThanOrEqual(within * Math.abs(wanted))
}

describe.skipIf(!expected)('open hourly data of three sites', () => {
  for (const site of expected?.sites ?? [])
    describe(`${site.site}, as R 4.2 computed it`, () => {
      const rows = rowsOf(site.site)
      const ofYear = (year: number): number[] => {
        const hours = rows
          .filter((row) => row.year === year)
          .map(({ start, pm25 }) => ({ start, mean: pm25, counted: !Number.isNaN(pm25) }))
        return daysOf(new HourSeries(hours), plainDay).flatMap(({ figure }) =>
          figure.valid ? [figure.value] : [],
        )
      }

      it('has the same interpolated 98th percentile in each year', () => {
        for (const [year, figures] of Object.entries(site.pm25.byYear))
          agrees(percentile7(ofYear(Number(year)), 0.98), figures.p98_type7)
      })

      it('has the same shares by wind sector above the 90th percentile of 2016', () => {
        const rows2016 = rows.filter(({ year, pm25 }) => year === 2016 && !Number.isNaN(pm25))
        const threshold = percentile7(
          rows2016.map(({ pm25 }) => pm25),
          0.9,
        )!
        agrees(threshold, site.wind2016.pm25P90)
        const winds = rows2016
          .filter(({ sector, speed }) => sector >= 0 && !Number.isNaN(speed))
          .map(({ sector, speed, pm25 }) => ({ fromDegrees: sector * 22.5, speed, value: pm25 }))
        const { records, above, shares } = sectorShares(winds, threshold, {
          sectors: 16,
          calmBelow: site.wind2016.cpfCalmBelow,
        })
        site.wind2016.cpf.forEach(({ sector, hours, above: m, cpf }) => {
          const i = sectorNames.indexOf(sector)
          expect([sector, records[i], above[i]]).toEqual([sector, hours, m])
          agrees(shares[i], cpf)
        })
      })

      it('has the same difference between the valid days of 2015 and 2016', () => {
        const wanted = site.compare2016vs2015
        const [before, after] = [ofYear(2015), ofYear(2016)]
        expect([before.length, after.length]).toEqual([wanted.n2015, wanted.n2016])
        agrees(meanOf(before), wanted.mean2015)
        agrees(meanOf(after), wanted.mean2016)
        agrees(medianOf(before), wanted.median2015)
        agrees(medianOf(after), wanted.median2016)
        const test = rankTest(before, after)!
        expect(test.method).toBe('normal')
        expect([test.uBefore, test.uAfter]).toContain(wanted.W)
        agrees(test.p, wanted.mannWhitneyP)
        // R finds the shift by a numeric search with a tolerance of 1e-4; here it is the middle difference itself.
        expect(Math.abs(test.shift - wanted.hodgesLehmannShift)).toBeLessThan(1e-3)
      })

      it('has as many hours with PM2.5 above PM10, and the same middle ratio', () => {
        const both = rows.filter(({ pm25, pm10 }) => !Number.isNaN(pm25) && !Number.isNaN(pm10))
        expect(both.filter(({ pm25, pm10 }) => pm25 > pm10).length).toBe(site.hoursPm25AbovePm10)
        agrees(medianOf(both.map(({ pm25, pm10 }) => pm25 / pm10)), site.medianRatio)
      })
    })

  it('agree with each other hour by hour as R 4.2 says', () => {
    const wanted = expected!.agreementHourlyPm25
    const [x, y] = [rowsOf(wanted.x), rowsOf(wanted.y)]
    const both = x.flatMap(({ pm25 }, i) =>
      Number.isNaN(pm25) || Number.isNaN(y[i].pm25) ? [] : [[pm25, y[i].pm25]],
    )
    const [xs, ys] = [both.map(([value]) => value), both.map(([, value]) => value)]
    const line = leastSquares(xs, ys)!
    expect(line.pairs).toBe(wanted.n)
    agrees(line.slope, wanted.slope)
    agrees(line.intercept, wanted.intercept)
    agrees(line.rSquared, wanted.r2)
    const apart = distance(xs, ys)!
    agrees(apart.rmse, wanted.rmse)
    agrees(apart.bias, wanted.meanBias)
    agrees(apart.nrmsePercent, wanted.nrmsePercent)
  })
})
