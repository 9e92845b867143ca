import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { stringify } from 'yaml'
import { averages, type AveragesOptions } from '../../agent/cli/averages.js'
import { correctionPlain, type Correction } from '../../agent/limits/limits.js'
import { at, midnight, minutes, newFolder, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'
import { averagesJson, averagesText, madeStore, type MadeMinute } from './figures-rig.js'

afterAll(removeFolders)

const zone = '+01:00'
const dayMinutes = 1440
const root = join(import.meta.dirname, '../..')

/** One day at one level, of unit A-1. */
const steady = (values: Record<string, number>, count = dayMinutes) =>
  madeStore({
    channels: Object.keys(values),
    from: midnight,
    minutes: count,
    before: [siteEntry(midnight, 'set-up', { place: 'gate', new_serial: 'A-1' })],
    at: () => ({ values }),
  })

const correction: Correction = {
  name: 'run of March',
  channel: 'pm2_5',
  serial: 'A-1',
  form: { kind: 'linear', intercept: -2, slope: 0.5 },
  lowest: 0,
  highest: 150,
  mostHumidityPercent: 100,
  made: '2026-03-31',
  source: 'side by side for 31 days',
  run: {
    from: '2026-03-01',
    to: '2026-03-31',
    interval: {
      levels: [
        { raw: 10, interval: [2, 4] },
        { raw: 100, interval: [45, 51] },
      ],
    },
  },
}

function correctionFile(more: Partial<Correction> = {}): string {
  const file = join(newFolder(), 'correction.yaml')
  writeFileSync(file, stringify(correctionPlain({ ...correction, ...more })))
  return file
}

const only = async (store: string, options: AveragesOptions = {}) =>
  (await averagesJson(store, { zone, ...options })).series[0]

describe('limits beside averages', () => {
  it('are the 24-hour guideline by itself, and with a set named those of the set', async () => {
    const store = await steady({ pm2_5: 30 })
    expect((await only(store)).limits.map(({ id }) => id)).toEqual(['who-2021-pm2_5-24h'])
    const { limits, days } = await only(store, { limits: 'us-national' })
    expect(limits.map(({ id }) => id)).toEqual(['who-2021-pm2_5-24h', 'us-pm2_5-24h'])
    expect(limits.every(({ document, clause }) => document !== '' && clause !== '')).toBe(true)
    expect(days[0].verdicts.map(({ verdict, arithmetic }) => [verdict, arithmetic])).toEqual([
      ['too-close-to-tell', 'above'],
      ['too-close-to-tell', 'not-above'],
    ])
  })

  it('come from the settings, with levels of the owner, and options go before them', async () => {
    const store = await steady({ pm2_5: 30 })
    const settings = join(newFolder(), 'station.yaml')
    writeFileSync(
      settings,
      [
        'version: 1',
        ...readFileSync(join(root, 'config/minimal.yaml'), 'utf8')
          .split('\n')
          .filter((line) => !/^(version|data|  folder)/.test(line)),
        `data: { folder: ${store} }`,
        'limits:',
        '  set: us-national',
        '  own: [{ name: site-level, channel: pm2_5, level: 20, averaging: 24-hour, document: dust plan }]',
        '',
      ].join('\n'),
    )
    const ids = async (options: AveragesOptions) =>
      JSON.parse((await ran(() => averages({ zone, json: true, ...options }))).out).series[0].limits.map(
        ({ id }: { id: string }) => id,
      ) as string[]
    expect(await ids({ settings })).toEqual(['who-2021-pm2_5-24h', 'us-pm2_5-24h', 'site-level'])
    expect(await ids({ settings, store, limits: 'who-2021-interim' })).toContain('site-level')
  })

  it('of the owner come from a file at the desk', async () => {
    const store = await steady({ pm2_5: 30 })
    const ownLimits = join(newFolder(), 'own.yaml')
    writeFileSync(ownLimits, '- { name: site-level, channel: pm2_5, level: 10, averaging: 24-hour }\n')
    const text = await averagesText(store, { zone, ownLimits })
    expect(text).toContain('own level site-level: 24-hour mean of 10 µg/m³')
    expect(text).toContain('30.0 against 10: above by arithmetic; above, even with the uncertainty')
  })

  it('are refused in plain words where the name or the file is wrong', async () => {
    const store = await steady({ pm2_5: 30 }, 60)
    const wrong = await ran(() => averages({ store, zone, limits: 'national' }))
    expect(wrong).toMatchObject({ code: 2, out: '' })
    expect(wrong.err).toContain('--limits national: there are california, eu-2008')
    const ownLimits = join(newFolder(), 'own.yaml')
    writeFileSync(ownLimits, '- { name: site-level, channel: pm2_5, level: high, averaging: 24-hour }\n')
    expect((await ran(() => averages({ store, zone, ownLimits }))).err).toContain('limits.own[0].level')
    const folder = newFolder()
    mkdirSync(join(folder, 'x'))
    expect((await ran(() => averages({ store, zone, correction: [join(folder, 'x')] }))).code).toBe(2)
  })
})

describe('the index', () => {
  it('is shown with the US set only, of a valid day and of the NowCast, never of an hour', async () => {
    const store = await steady({ pm2_5: 40 })
    const without = await averagesText(store, { zone })
    expect(without).not.toMatch(/index/i)
    expect(without).toMatch(/NowCast of the hour from 2026-03-03 23:00: 40\.0 µg\/m³/)
    const { days, periods } = await only(store, { limits: 'us-national' })
    expect(days[0].index).toMatchObject({
      index: 112,
      category: 'Unhealthy for Sensitive Groups',
      concentration: 40,
    })
    expect(periods[23].nowcast).toMatchObject({ value: 40, index: { index: 112 } })
    expect(Object.keys(periods[23])).not.toContain('index')
  })

  it('is not taken of a day with too few hours', async () => {
    const store = await steady({ pm2_5: 20 }, 13 * 60)
    expect((await only(store, { limits: 'us-national' })).days[0].index).toMatchObject({ index: null })
  })
})

describe('a correction', () => {
  it('stands beside the raw figure, and its interval beside the verdict', async () => {
    const store = await steady({ pm2_5: 100 })
    const file = correctionFile()
    const {
      days,
      periods,
      correction: name,
    } = await only(store, { correction: [file], limits: 'us-national' })
    expect(name).toBe('run of March')
    expect(periods[0]).toMatchObject({ mean: 100, corrected: 48 })
    expect(days[0]).toMatchObject({ mean: 100, corrected: 48 })
    // 48 ± 3 against 35: above, where ±50 % would not tell.
    const verdict = days[0].verdicts.find(({ limit }) => limit === 'us-pm2_5-24h')!
    expect(verdict).toMatchObject({ value: 48, verdict: 'above', is_corrected: true })
    expect(verdict.words[1]).toBe(
      'corrected 48.0 against 35: above by arithmetic; above, even with the uncertainty of this sensor after its side-by-side run (uncorrected 100.0)',
    )
    const text = await averagesText(store, { zone, correction: [file] })
    expect(text).toContain("Corrected by 'run of March'")
    expect(text).toMatch(/2026-03-03 +100\.00 +48\.00/)
  })

  it('is not used for another unit, nor where it does not hold', async () => {
    const store = await steady({ pm2_5: 100 })
    expect((await only(store, { correction: [correctionFile({ serial: 'B-2' })] })).correction).toBeNull()
    const narrow = await only(store, { correction: [correctionFile({ highest: 50 })] })
    expect(narrow.days[0]).toMatchObject({ mean: 100, corrected: null })
    expect(narrow.days[0].verdicts[0]).toMatchObject({ is_corrected: false, value: 100 })
    const text = await averagesText(store, { zone, correction: [correctionFile({ highest: 50 })] })
    expect(text.replace(/\s+/g, ' ')).toContain(
      '24 hours that count were outside of that and have no corrected value',
    )
  })

  it('is refused above its humidity, hour by hour', async () => {
    const damp = (minute: number): MadeMinute => ({
      values: { pm2_5: 40, humidity: minute < 5 * 60 ? 96 : 60 },
    })
    const store = await madeStore({
      channels: ['pm2_5', 'humidity'],
      from: midnight,
      minutes: dayMinutes,
      before: [siteEntry(midnight, 'set-up', { place: 'gate', new_serial: 'A-1' })],
      at: damp,
    })
    const { periods, days } = await only(store, { correction: [correctionFile({ mostHumidityPercent: 90 })] })
    expect(periods.map(({ corrected }) => corrected)).toEqual([
      ...Array<null>(5).fill(null),
      ...Array<number>(19).fill(18),
    ])
    expect(days[0].corrected).toBe(18)
  })

  it('that carries clean air below zero is told as it is, also beside a limit', async () => {
    const store = await steady({ pm2_5: 1 })
    const { days } = await only(store, { correction: [correctionFile()] })
    expect(days[0].corrected).toBe(-1.5)
    expect(days[0].verdicts[0]).toMatchObject({ value: -1.5, verdict: 'below' })
  })
})

describe('humid hours', () => {
  it('are counted, and the day is told with and without them', async () => {
    const store = await madeStore({
      channels: ['pm2_5', 'humidity.outside'],
      from: midnight,
      minutes: dayMinutes,
      at: (minute) => {
        const fog = minute < 4 * 60
        return { values: { pm2_5: fog ? 70 : 10, 'humidity.outside': fog ? 97 : 70 } }
      },
    })
    const { days } = await only(store)
    expect(days[0]).toMatchObject({ mean: 20, mean_without_humid: 10, humid_hours: 4 })
    const text = await averagesText(store, { zone })
    expect(text).toMatch(/day +mean +not humid/)
    expect(text).toContain('4 hours of the days shown were humid')
  })
})

describe('years', () => {
  it('have means, quarters, ranks and days above, incomplete where days are missing, and are never called attained', async () => {
    const store = await steady({ pm2_5: 40 }, 2 * dayMinutes)
    const { years } = await only(store, { years: true, limits: 'us-national' })
    const of = (limit: string) => years!.find((one) => one.limit === limit)!
    expect(of('us-pm2_5-24h')).toMatchObject({
      kind: 'percentile-98',
      value: 40,
      rankFromTop: 1,
      complete: false,
      verdict: 'not-enough-data',
    })
    expect(of('who-2021-pm2_5-24h')).toMatchObject({
      kind: 'days-above',
      days_above: { validDays: 2, byArithmetic: 2, surely: 2, possibly: 2, allowed: 3 },
    })
    const text = await averagesText(store, { zone, years: true, limits: 'us-national' })
    expect(text).toMatch(/2026 Q1 +40\.00 +2 of 90 +2 %/)
    expect(text).toContain('one of the 3 years that the form needs')
    expect(text).not.toMatch(/attain/i)
  })
})

describe('data capture by hour of day', () => {
  it('shows at which hours nothing was measured', async () => {
    const store = await storeOf([0, 1].flatMap((day) => minutes(at(24 * day), 12 * 60, 10)))
    const { hours_of_day: hours } = await only(store, { detail: true, from: '2026-03-03' })
    expect(hours!.map(({ counting }) => counting)).toEqual([
      ...Array<number>(12).fill(2),
      ...Array<number>(12).fill(0),
    ])
    expect(hours![3].data_capture_percent).toBe(100)
    expect(hours![20].data_capture_percent).toBeNull()
  })
})

describe('verdicts at the edges', () => {
  const verdictsOf = async (store: string, options: AveragesOptions = {}) =>
    (await only(store, { limits: 'us-national', ...options })).days.map(({ verdicts }) => verdicts[0].verdict)

  it('of an empty store are none, and of one row not enough data', async () => {
    const empty = await ran(async () => averages({ store: await storeOf([]), zone }))
    expect(empty).toMatchObject({ code: 1 })
    expect(empty.out).toContain('There are no records here yet.')
    expect(await verdictsOf(await storeOf(minutes(midnight, 1, 10)))).toEqual(['not-enough-data'])
  })

  it('of readings that were all excluded are none', async () => {
    const store = await storeOf(minutes(midnight, dayMinutes, 10, { used: 0 }))
    const { code, out } = await ran(() => averages({ store, zone }))
    expect(code).toBe(1)
    expect(out).toContain('No record of that time and channel counts.')
  })

  it('of a deployment shorter than a day are not enough data', async () => {
    const store = await storeOf([
      siteEntry(at(2), 'set-up', { place: 'gate' }),
      ...minutes(at(0), dayMinutes, 80),
      siteEntry(at(9), 'removed'),
    ])
    expect(await verdictsOf(store)).toEqual(['not-enough-data'])
    expect(await averagesText(store, { zone })).toContain('7 of 24 h: no verdict, mean so far 80.0')
  })

  it('of both weekends on which clocks are changed, and of a leap day, are of 24 hours', async () => {
    for (const day of ['2026-03-29', '2026-10-25', '2028-02-29']) {
      const store = await storeOf(minutes(Date.parse(`${day}T00:00:00+01:00`), dayMinutes, 80))
      const { days } = await only(store, { zone: 'CET' })
      expect(days).toHaveLength(1)
      expect(days[0]).toMatchObject({ day, full_hours: 24 })
      expect(days[0].verdicts[0]).toMatchObject({
        verdict: 'above',
        words: ['24 of 24 h: valid', expect.anything()],
      })
    }
  })

  it('of a day with a part above the range are at least, and never below', async () => {
    const over = { max: 900, marked: { 'over-range': 60 } }
    const store = await storeOf([...minutes(at(0), 60, 20, over), ...minutes(at(1), 23 * 60, 0.5)])
    const { days } = await only(store)
    expect(days[0]).toMatchObject({ at_least: true })
    expect(days[0].verdicts[0]).toMatchObject({ verdict: 'too-close-to-tell', doubt: 'over-range' })
  })
})
