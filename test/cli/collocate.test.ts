/** Units beside a reference: what is said of them, and the correction that is written. */
import { existsSync } from 'node:fs'
import { join } from 'node:path'
import { linearRegression, linearRegressionLine, rSquared } from 'simple-statistics'
import { afterAll, describe, expect, it } from 'vitest'
import { collocate, type CollocateOptions } from '../../agent/cli/collocate.js'
import { loadCorrection } from '../../agent/cli/limits-files.js'
import { sharedJson } from '../support/shared-reference.js'
import { hourMillis, madeAir, madeSeries, normal, siteSeries } from './compare-rig.js'
import { midnight, minutes, newFolder, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'

afterAll(removeFolders)

interface Told {
  readonly verdict: string
  readonly words: string
  readonly days: number
  readonly all_units: { readonly sd: number | null; readonly rmse: number }
  readonly units: readonly {
    readonly name: string
    readonly serial: string | null
    readonly days: number
    readonly r_squared: number
    readonly slope: number
    readonly intercept: number
    readonly rmse: number
    readonly bias: number
    readonly slip_h: number | null
    readonly lags: readonly { lag_h: number; r_squared: number; pairs: number }[]
    readonly correction: null | {
      readonly slope: number
      readonly slope_95: readonly [number, number]
      readonly intercept_95: readonly [number, number]
      readonly held_out: { readonly raw: { rmse: number }; readonly corrected: { rmse: number } }
    }
  }[]
}

const run = (options: CollocateOptions) => ran(() => collocate(options))

async function told(options: CollocateOptions): Promise<Told & { code: number }> {
  const { code, out, err } = await run({ ...options, json: true })
  if (out === '') throw new Error(err)
  return { ...(JSON.parse(out) as Told), code }
}

const truth = madeAir(24 * 40)
const unitOf = (slope: number, intercept: number): number[] =>
  truth.map((value) => intercept + slope * value + normal() * 1.5)
const reference = madeSeries('reference', truth)

describe('three units beside a reference for forty days', () => {
  const units = [1.2, 1.25, 1.18].map((slope, i) => madeSeries(`unit-${i + 1}`, unitOf(slope, 1)))

  it('are judged by the published targets, and their figures are those of the true line', async () => {
    const found = await told({ unit: units, reference })
    expect(found).toMatchObject({ code: 0, verdict: 'within-targets', days: 40 })
    expect(found.units.map(({ slope }) => Math.round(slope * 20) / 20)).toEqual([1.2, 1.25, 1.2])
    expect(found.units.map((unit) => unit.slip_h)).toEqual([0, 0, 0])
    expect(found.all_units.sd).toBeGreaterThan(0)
  })

  it('that lie outside are named with what they miss', async () => {
    const far = madeSeries('far', unitOf(2, 1))
    const found = await told({ unit: [...units.slice(0, 2), far], reference })
    expect(found).toMatchObject({ code: 1, verdict: 'outside-targets' })
    expect(found.words).toContain('far: slope')
  })

  it('get a correction whose interval holds the true line, and which helps on days held out', async () => {
    const [{ correction }] = (await told({ unit: [units[0]], reference })).units
    expect(correction!.slope_95[0]).toBeLessThan(1 / 1.2)
    expect(correction!.slope_95[1]).toBeGreaterThan(correction!.slope_95[0])
    expect(Math.abs(correction!.slope - 1 / 1.2)).toBeLessThan(0.03)
    expect(correction!.held_out.corrected.rmse).toBeLessThan(correction!.held_out.raw.rmse / 2)
  })

  it('say the same with the same seed, and other intervals with another', async () => {
    const interval = async (seed?: string) =>
      (await told({ unit: [units[0]], reference, seed })).units[0].correction!.slope_95
    expect(await interval()).toEqual(await interval('1'))
    expect(await interval('2')).not.toEqual(await interval('1'))
  })
})

describe('what may not be judged', () => {
  it('is shown as indicative: too few units, too few days, another channel', async () => {
    const unit = madeSeries('unit', unitOf(1, 0))
    expect((await told({ unit: [unit], reference })).words).toContain('1 of 3 units')
    const short = await told({ unit: [unit, unit, unit], reference, to: '2026-01-20' })
    expect(short.verdict).toBe('indicative-not-judged')
    expect(short.words).toContain('16 of 30 days')
    const coarse = madeSeries('coarse', truth, { channel: 'pm10' })
    const other = await told({ unit: [coarse, coarse, coarse], reference: coarse, channel: 'pm10' })
    expect(other.words).toContain('are for PM2.5')
  })

  it('without a valid day together is told, not divided by nothing', async () => {
    const later = madeSeries('later', truth, { from: Date.UTC(2027, 0, 1) })
    expect(await run({ unit: [later], reference })).toMatchObject({
      code: 1,
      err: expect.stringContaining('no day') as string,
    })
  })

  it('is refused where the reference is no series, or holds two', async () => {
    const unit = madeSeries('unit', truth)
    expect((await run({ unit: [unit], reference: join(newFolder(), 'none') })).code).toBe(2)
    expect((await run({ unit: [unit], reference, channel: 'humidity' })).code).toBe(2)
  })
})

describe('a slip of one hour', () => {
  it('is found in both directions and told first, and no correction is written', async () => {
    for (const [by, words] of [
      [-1, '1 h earlier'],
      [1, '1 h later'],
    ] as const) {
      const slipped = madeSeries('slipped', unitOf(1, 0), { from: Date.UTC(2026, 0, 5) + by * hourMillis })
      const { code, out } = await run({ unit: [slipped], reference })
      expect(code).toBe(1)
      expect(out.replace(/\s+/g, ' ')).toContain(words)
      const file = join(newFolder(), 'correction.yaml')
      expect((await run({ unit: [slipped], reference, write: file, serial: ['7'] })).err).toContain('slip')
      expect(existsSync(file)).toBe(false)
    }
  })

  it('is not looked for where the reference has days', async () => {
    const days = Array.from(
      { length: 40 },
      (_, day) => truth.slice(day * 24, day * 24 + 24).reduce((a, b) => a + b) / 24,
    )
    const daily = madeSeries('daily', days, { stepSeconds: 86_400 })
    const { units, days: compared } = await told({
      unit: [madeSeries('unit', unitOf(1, 0))],
      reference: daily,
    })
    expect(units[0]).toMatchObject({ slip_h: null, lags: [] })
    expect(compared).toBe(40)
    expect(units[0].correction).not.toBeNull()
  })
})

describe('the correction file', () => {
  it('is read back as a correction of that unit, with range, run and interval', async () => {
    const unit = madeSeries('unit', unitOf(1.3, 2))
    const file = join(newFolder(), 'correction.yaml')
    const options = { unit: [unit], reference, write: file }
    expect((await run(options)).err).toContain('--serial')
    expect((await run({ ...options, serial: ['00417'] })).code).toBe(0)
    expect(loadCorrection(file)).toMatchObject({
      ok: true,
      value: {
        channel: 'pm2_5',
        serial: '00417',
        form: { kind: 'linear' },
        mostHumidityPercent: 100,
        source: expect.stringContaining('humidity was not recorded') as string,
      },
    })
    expect((await run({ ...options, serial: ['00417'] })).err).toContain('--force')
  })
})

describe("a station's store", () => {
  it('is a unit with its serial; a day that is not whole enough is not compared', async () => {
    const folder = await storeOf([
      siteEntry(midnight, 'set-up', { place: 'hill', new_serial: '00417' }),
      ...minutes(midnight, 24 * 60, 12),
      ...minutes(midnight + 24 * hourMillis, 17 * 60, 14),
    ])
    const wanted = madeSeries('reference', Array(48).fill(10) as number[], { from: midnight })
    const { units, days } = await told({ unit: [folder], reference: wanted, zone: '+01:00' })
    expect(days).toBe(1)
    expect(units[0].bias).toBeCloseTo(2, 9)
    expect(units[0]).toMatchObject({ name: 'hill, serial 00417', serial: '00417' })
  })
})

interface Agreement {
  readonly x: string
  readonly y: string
  readonly [figure: string]: number | string
}
const expected = sharedJson<{ agreementHourlyPm25: Agreement }>('reference/hourly-sites-expected.json')

describe.skipIf(!expected)('two sites of open data', () => {
  it('agree hour by hour as R 4.2 found, and a relabelled copy slips by one hour', async () => {
    const { x, y, ...wanted } = expected!.agreementHourlyPm25
    const first = await siteSeries(x)
    const { units } = await told({
      unit: [await siteSeries(y), await siteSeries(x, 'end')],
      reference: first,
    })
    const asIs = units[0].lags.find(({ lag_h }) => lag_h === 0)!
    // ../shared/reference/hourly-sites-expected.json, agreementHourlyPm25.
    expect(Math.abs(asIs.r_squared - Number(wanted.r2))).toBeLessThan(1e-9)
    expect(units.map((unit) => unit.slip_h)).toEqual([0, -1])
  }, 180_000)
})

describe('a second opinion', () => {
  it('from simple-statistics gives the same line for daily means', async () => {
    const values = unitOf(1.4, -2)
    const dayOf = (hours: readonly number[], day: number): number =>
      hours.slice(day * 24, day * 24 + 24).reduce((a, b) => a + Number(b.toFixed(3)), 0) / 24
    const pairs = Array.from({ length: 40 }, (_, day) => [dayOf(truth, day), dayOf(values, day)])
    const line = linearRegression(pairs)
    const [unit] = (await told({ unit: [madeSeries('unit', values)], reference })).units
    expect(unit.slope).toBeCloseTo(line.m, 9)
    expect(unit.intercept).toBeCloseTo(line.b, 7)
    expect(unit.r_squared).toBeCloseTo(rSquared(pairs, linearRegressionLine(line)), 9)
  })
})
