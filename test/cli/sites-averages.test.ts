/** The open data of ../shared/data imported by the command, and its averages beside what R 4.2 computed independently. */
import { afterAll, describe, expect, it } from 'vitest'
import { sharedJson } from '../support/shared-reference.js'
import { siteSeries } from './compare-rig.js'
import { removeFolders } from './desk-rig.js'
import { averagesJson } from './figures-rig.js'

afterAll(removeFolders)

interface Site {
  readonly site: string
  readonly pm25: {
    readonly byYear: Readonly<
      Record<string, { validDays: number; mean: number; p98_nearestRankDown_appN: number }>
    >
    readonly maxRolling24h: { readonly value: number; readonly endsAfterHour: string }
  }
  readonly nowcast: readonly { readonly hour: string; readonly nowcast: number }[]
}
const expected = sharedJson<{ readonly sites: readonly Site[] }>('reference/hourly-sites-expected.json')

const iso = (hour: string): string => `${hour.slice(0, 10)}T${hour.slice(11, 16)}:00+08:00`

describe.skipIf(!expected)('averages of imported open data', () => {
  for (const { site, pm25, nowcast } of expected?.sites ?? [])
    it(`have the days, percentiles, rolling means and NowCasts of ${site}`, async () => {
      const store = await siteSeries(site)
      const whole = { channel: ['pm2_5'], from: '2016-01-01', to: '2016-12-31' }
      const { days, periods } = (await averagesJson(store, whole)).series[0]
      const valid = days.filter(({ valid: counts }) => counts)
      const year = pm25.byYear['2016']
      expect(valid).toHaveLength(year.validDays)
      // Each day is told with two decimals.
      const mean = valid.reduce((sum, day) => sum + Number(day.mean), 0) / valid.length
      expect(Math.abs(mean - year.mean)).toBeLessThan(0.005)
      const ranked = valid.map((day) => Number(day.mean)).sort((a, b) => b - a)
      const rank = ranked.length - Math.floor(0.98 * ranked.length)
      expect(Math.floor(ranked[rank - 1] * 10 + 1e-6) / 10).toBe(year.p98_nearestRankDown_appN)
      for (const { hour, nowcast: wanted } of nowcast.filter((one) => one.hour.startsWith('2016'))) {
        const row = periods.find(({ from }) => from === iso(hour))!
        expect(Math.abs((row.nowcast as { value: number }).value - wanted)).toBeLessThan(0.001)
      }
      const { value, endsAfterHour } = pm25.maxRolling24h
      const day = endsAfterHour.slice(0, 10)
      const around = (await averagesJson(store, { ...whole, from: day, to: day })).series[0].periods
      const last = around.find(({ from }) => from === iso(endsAfterHour))!
      expect(Math.abs((last.rolling_24h as { mean: number }).mean - value)).toBeLessThan(0.005)
    }, 60_000)
})
