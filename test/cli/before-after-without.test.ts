/** A change with and without some hours: humid ones, and those in which something was going on. */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { beforeAfter, type BeforeAfterOptions } from '../../agent/cli/before-after.js'
import { eventsLines, type Activity } from '../../agent/cli/import-events.js'
import { seriesLines } from '../../agent/cli/import-series.js'
import { firstHour, hourMillis, madeAir, madeSeries, normal } from './compare-rig.js'
import { newFolder, ran, removeFolders } from './desk-rig.js'

afterAll(removeFolders)

const run = (options: BeforeAfterOptions) => ran(() => beforeAfter(options))

interface Told {
  readonly verdict: string
  readonly notes: readonly string[]
  readonly change: { readonly change: number; readonly interval_95: readonly [number, number] }
  readonly without: readonly {
    readonly which: string
    readonly hours: number
    readonly hours_left_out: number
    readonly change: { readonly change: number } | null
    readonly kinds?: Readonly<Record<string, readonly [number, number]>>
  }[]
}

async function told(options: BeforeAfterOptions): Promise<Told> {
  const { out, err } = await run({ ...options, json: true })
  if (out === '') throw new Error(err)
  return JSON.parse(out) as Told
}

const day = (number: number): string =>
  new Date(firstHour + number * 24 * hourMillis).toISOString().slice(0, 10)

/** A site with its humidity, and wind if wanted. */
function site(masses: readonly number[], humidity: readonly number[], wind = false): string {
  const file = join(newFolder(), 'site.series.csv')
  const columns = [masses, humidity, ...(wind ? [masses.map(() => 270)] : [])]
  const series = {
    ...{ name: 'site', stepSeconds: 3600, offsetMinutes: 0 },
    keys: ['pm2_5', 'humidity', ...(wind ? ['wind_from'] : [])],
    abouts: columns.map(() => ({ basis: 'measured' as const })),
    starts: Float64Array.from(masses, (_, i) => firstHour + i * hourMillis),
    values: columns.map((values) => Float64Array.from(values, (value) => Number(value.toFixed(2)))),
  }
  writeFileSync(file, [...seriesLines(series)].join(''))
  return file
}

const days = 40
const background = madeAir(24 * days)
const isLate = (hour: number): boolean => hour >= 24 * 20

describe('humid hours', () => {
  // Every night is humid; after the change the nights are fogged and read 12 more, the days are alike.
  const humidity = background.map((_, hour) => (hour % 24 < 6 ? 92 : 60))
  const masses = background.map((value, hour) => value + (isLate(hour) && hour % 24 < 6 ? 12 : 0) + normal())

  it('that make the change are told: without them the answer is another', async () => {
    const of = site(masses, humidity)
    const found = await told({ of, at: day(20), background: madeSeries('agency', background) })
    expect(found.verdict).toBe('rose')
    const [humid] = found.without
    expect(humid).toMatchObject({ which: 'humid', hours: 960, hours_left_out: 240 })
    expect(Math.abs(humid.change!.change)).toBeLessThan(0.5)
    expect(found.notes[0]).toContain('the answer is another without them')
    expect(found.notes.join(' ')).toContain('Of wind nothing is known')
  })

  it('may be known elsewhere; with wind recorded nothing is said to be unknown', async () => {
    const elsewhere = site(background, humidity)
    const plain = madeSeries('plain', masses)
    const found = await told({ of: plain, at: day(20), humidity: elsewhere })
    expect(found.without[0].hours_left_out).toBe(240)
    const whole = await told({ of: site(masses, humidity, true), at: day(20) })
    expect(whole.notes.join(' ')).not.toContain('nothing is known')
  })
})

describe('activities', () => {
  const blasts: Activity[] = [1, 3, 5, 7, 9, 25].map((number) => {
    const start = firstHour + (number * 24 + 10) * hourMillis + 30 * 60_000
    return { start, end: start + 60 * 60_000, kind: 'blast', words: '' }
  })
  const log = join(newFolder(), 'quarry.events.csv')
  writeFileSync(log, [...eventsLines({ activities: blasts, offsetMinutes: 0 })].join(''))

  it('are counted before and after, and their hours are left out once', async () => {
    const of = madeSeries(
      'site',
      background.map((value) => value + normal()),
    )
    const { without } = await told({ of, at: day(20), events: log })
    expect(without).toMatchObject([{ which: 'events', hours_left_out: 12, kinds: { blast: [5, 1] } }])
    const { out } = await run({ of, at: day(20), events: log })
    expect(out.replace(/\s+/g, ' ')).toContain('blast 5 times before and 1 after')
  })

  it('in a file that is none are refused', async () => {
    const of = madeSeries('site', background)
    expect(await run({ of, at: day(20), events: of })).toMatchObject({
      code: 2,
      err: expect.stringContaining('motepost import --events') as string,
    })
  })
})

describe('what comes out', () => {
  it('is a row for each series as CSV, and two drawings', async () => {
    const [of, other] = [
      madeSeries(
        'site',
        background.map((v) => v + 2),
      ),
      madeSeries('agency', background),
    ]
    const svg = join(newFolder(), 'drawn')
    const { out } = await run({ of, at: day(20), background: other, csv: true, svg })
    const rows = out
      .trim()
      .split('\r\n')
      .map((row) => row.split(','))
    expect(rows.map(([what]) => what)).toEqual(['what', 'change', 'series alone', 'background alone'])
    expect(new Set(rows.map(({ length }) => length)).size).toBe(1)
    for (const name of ['days', 'hours']) {
      const drawn = readFileSync(join(svg, `pm2_5-before-after-${name}.svg`), 'utf8')
      expect(drawn).toContain('µg/m³')
      expect(drawn).not.toMatch(/NaN|Infinity|undefined/)
    }
    expect((await run({ of, at: day(20), svg })).err).toContain('--force')
  })

  it('stays within eighty columns, whatever the names', async () => {
    const name = 'the-gate-of-the-quarry-by-the-old-lime-kiln'
    const [of, other] = [madeSeries(name, background), madeSeries(`${name}-agency`, background)]
    const { out } = await run({ of, at: day(20), background: other, detail: true })
    // A command to be copied is not folded.
    const told = out.split('\n').filter((line) => !line.startsWith('motepost '))
    expect(told.filter((line) => line.length >= 80)).toEqual([])
  })
})

describe('days of the calendar', () => {
  it('are whole in a leap year: 29 February is a day like others', async () => {
    const from = Date.UTC(2028, 1, 15)
    const of = madeSeries('leap', madeAir(24 * 30), { from })
    const found = await run({ of, at: '2028-02-29', json: true })
    expect(JSON.parse(found.out)).toMatchObject({ valid_days_before: 14, valid_days_after: 16 })
  })

  it('of both weekends on which clocks change have 24 hours of standard time', async () => {
    for (const [from, at] of [
      [Date.UTC(2026, 2, 15), '2026-03-29'],
      [Date.UTC(2026, 9, 11), '2026-10-25'],
    ] as const) {
      const of = madeSeries('site', madeAir(24 * 28), { from })
      const found = await run({ of, at, zone: 'Europe/Berlin', json: true })
      // A UTC day and an hour: the first and the last local day lack one, which leaves them valid.
      expect(JSON.parse(found.out)).toMatchObject({ valid_days_before: 14, valid_days_after: 14 })
    }
  })

  it('with an empty series, or one day only, are told as too few', async () => {
    const one = madeSeries('one', madeAir(24))
    expect(await run({ of: one, at: day(0), json: true })).toMatchObject({ code: 1 })
    const none = madeSeries('none', Array(48).fill(NaN) as number[])
    expect(await run({ of: none, at: day(1) })).toMatchObject({
      code: 1,
      out: expect.stringContaining('0 valid days before and 0 after') as string,
    })
  })
})
