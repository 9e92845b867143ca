/** From a store beside a reference to corrected hours of the same store, with humidity of its own box. */
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { collocate } from '../../agent/cli/collocate.js'
import { growthMassFactor } from '../../agent/limits/limits.js'
import { averagesJson, madeStore } from './figures-rig.js'
import { hourMillis, madeAir, madeSeries } from './compare-rig.js'
import { midnight, newFolder, ran, removeFolders, siteEntry } from './desk-rig.js'

afterAll(removeFolders)

const days = 12
const zone = '+01:00'
const air = madeAir(24 * days)
const humidityAt = (hour: number): number => 60 + 25 * Math.cos((hour / 12) * Math.PI)
const masses = air.map((value, hour) => 1.3 * value * growthMassFactor(0.3, humidityAt(hour)))

const storeOf = (serial: string): Promise<string> =>
  madeStore({
    channels: ['pm2_5', 'humidity.outside'],
    from: midnight,
    minutes: days * 1440,
    before: [siteEntry(midnight, 'set-up', { place: 'gate', new_serial: serial })],
    at: (minute) => {
      const hour = Math.floor(minute / 60)
      return { values: { pm2_5: masses[hour], 'humidity.outside': humidityAt(hour) } }
    },
  })

describe('a unit that stood beside a reference for twelve days', () => {
  it("gets a correction file that turns its own hours into those of the reference, and no other unit's", async () => {
    const store = await storeOf('A-1')
    const reference = madeSeries('reference', air, { from: midnight })
    const file = join(newFolder(), 'correction.yaml')
    const done = await ran(() =>
      collocate({ unit: [store], reference, zone, form: 'growth', write: file, json: true }),
    )
    expect([done.code, done.err]).toEqual([0, ''])
    const told = JSON.parse(done.out) as {
      units: { serial: string; slip_h: number; correction: { form: { kappa: number } } }[]
    }
    expect(told.units[0]).toMatchObject({ serial: 'A-1', slip_h: 0 })
    expect(told.units[0].correction.form.kappa).toBeCloseTo(0.3, 2)

    const [series] = (await averagesJson(store, { zone, correction: [file], channel: ['pm2_5'] })).series
    const corrected = series.periods.filter((one) => one.corrected !== null)
    expect(corrected.length).toBeGreaterThan(0)
    for (const { from, corrected: value } of corrected as { from: string; corrected: number }[]) {
      const hour = (Date.parse(from) - midnight) / hourMillis
      // Humidity is kept in tenths, which near 85 %RH is two thousandths of a mass.
      expect(Math.abs(value - air[hour])).toBeLessThan(0.05 + 0.005 * air[hour])
    }
    const [other] = (
      await averagesJson(await storeOf('B-2'), { zone, correction: [file], channel: ['pm2_5'] })
    ).series
    expect(other.correction).toBeNull()
  })

  it('may stand beside another station in place of a reference', async () => {
    const [first, second] = [await storeOf('A-1'), await storeOf('B-2')]
    const { code, out } = await ran(() => collocate({ unit: [first], reference: second, zone, json: true }))
    const told = JSON.parse(out) as { days: number; units: { r_squared: number; bias: number }[] }
    expect([code, told.days]).toEqual([0, days])
    expect(told.units[0].r_squared).toBeCloseTo(1, 9)
    expect(told.units[0].bias).toBeCloseTo(0, 9)
  })
})
