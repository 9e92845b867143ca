/**
 * Three sites of open hourly data (UCI data set 501, CC BY 4.0) against figures computed independently in R: the files and
 * what the figures mean stand in ../shared/data/README.md.
 */
import { describe, expect, it } from 'vitest'
import {
  annualMean,
  cut,
  daysOf,
  exact,
  HourSeries,
  hourOfDayMeans,
  nowCast,
  percentile98,
  plainDay,
  quarterOf,
  rollingMaximum,
  toNumber,
  twelveHours,
} from '../../agent/limits/limits.js'
import { sharedJson, sharedText } from '../support/shared-reference.js'

interface PollutantFigures {
  readonly validDays: number
  readonly byYear: Readonly<
    Record<string, { validDays: number; mean: number; p98_nearestRankDown_appN: number; max: number }>
  >
  readonly maxRolling24h: { readonly value: number; readonly endsAfterHour: string }
  readonly [figure: string]: unknown
}
interface SiteFigures {
  readonly site: string
  readonly hours: number
  readonly pm25: PollutantFigures
  readonly pm10: PollutantFigures
  readonly diurnalMean2016: readonly number[]
  readonly nowcast: readonly { readonly row: number; readonly hour: string; readonly nowcast: number }[]
}

const expected = sharedJson<{ readonly sites: readonly SiteFigures[] }>(
  'reference/hourly-sites-expected.json',
)

/** The hours of one column in file order, as given (local standard time); a missing one does not count. */
function hoursOf(site: string, column: string) {
  const [head, ...rows] = sharedText(`data/${site}.csv.gz`).trim().split('\n')
  const at = head.split(',').indexOf(`"${column}"`)
  return rows.map((row) => {
    const cells = row.split(',')
    const [year, month, day, hour] = cells.slice(1, 5).map(Number)
    return {
      start: Date.UTC(year, month - 1, day, hour),
      mean: Number(cells[at]),
      counted: cells[at] !== 'NA',
    }
  })
}

const stamp = (at: number): string => new Date(at).toISOString().slice(0, 16).replace('T', ' ')
const agrees = (value: number, wanted: number): void => {
  expect(Math.abs(value - wanted)).toBeLessThanOrEqual(1e-9 * Math.abs(wanted))
}
const tenth = exact(0.1)

describe.skipIf(!expected)('open hourly data of three sites', () => {
  const sites = expected?.sites ?? []
  const columns = [
    ['PM2.5', 'pm25'],
    ['PM10', 'pm10'],
  ] as const

  for (const site of sites)
    for (const [column, key] of columns)
      describe(`${site.site} ${column}, as R 4.2 computed it`, () => {
        const wanted = site[key]
        const hours = hoursOf(site.site, column)
        const series = new HourSeries(hours)
        const days = daysOf(series, plainDay).flatMap(({ day, figure }) =>
          figure.valid ? [{ day: day as string, value: figure.value }] : [],
        )

        it('has as many hours and valid hours', () => {
          expect(hours.length).toBe(site.hours)
          expect(series.counts().given).toBe(wanted.validHours)
        })

        it('has as many valid days and days above each level', () => {
          expect(days.length).toBe(wanted.validDays)
          for (const [name, count] of Object.entries(wanted).filter(([name]) => /^daysAbove\d+$/.test(name)))
            expect(days.filter(({ value }) => value > Number(name.slice(9))).length, name).toBe(count)
          if (wanted.daysAbove35Truncated !== undefined)
            expect(days.filter(({ value }) => toNumber(cut(exact(value), tenth)) > 35).length).toBe(
              wanted.daysAbove35Truncated,
            )
        })

        it('has the same mean, highest day and 98th percentile in each year', () => {
          for (const [year, figures] of Object.entries(wanted.byYear)) {
            const values = days.filter(({ day }) => day.startsWith(year)).map(({ value }) => value)
            expect(values.length).toBe(figures.validDays)
            agrees(values.reduce((sum, value) => sum + value, 0) / values.length, figures.mean)
            agrees(Math.max(...values), figures.max)
            const rank = percentile98(values)!
            agrees(toNumber(cut(exact(rank.value), tenth)), figures.p98_nearestRankDown_appN)
          }
        })

        it('has the same largest 24 hours, ending with the same hour', () => {
          const found = rollingMaximum(series)!
          agrees(found.mean, wanted.maxRolling24h.value)
          expect(stamp(found.lastHour)).toBe(wanted.maxRolling24h.endsAfterHour)
        })

        if (column === 'PM2.5')
          it('has the same NowCast at the hours named', () => {
            for (const { row, hour, nowcast } of site.nowcast) {
              const newest = hours[row - 1].start
              expect(stamp(newest)).toBe(hour)
              const now = nowCast(twelveHours(series, newest), 'pm2_5')
              agrees(now.valid ? now.value : NaN, nowcast)
            }
          })

        if (column === 'PM2.5')
          it('has the same mean for each hour of the day in 2016', () => {
            const year = new HourSeries(hours.filter(({ start }) => stamp(start).startsWith('2016')))
            const means = hourOfDayMeans(year)
            site.diurnalMean2016.forEach((mean, hour) => agrees(means[hour]!.mean, mean))
          })

        it('gives four quarters a year with every day, in which each quarter counts alike', () => {
          const of2015 = days.filter(({ day }) => day.startsWith('2015'))
          const quarters = [0, 1, 2, 3].map((q) =>
            of2015.filter(({ day }) => quarterOf(day) === q).map(({ value }) => value),
          )
          expect(quarters.flat().length).toBe(of2015.length)
          const { quarterMeans, mean } = annualMean(quarters)
          agrees(mean!, quarterMeans.reduce<number>((sum, quarter) => sum + quarter!, 0) / 4)
        })
      })
})
