import { chmodSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import { averages, type AveragesOptions } from '../../agent/cli/averages.js'
import { built, runWithoutRights, withoutRights } from '../support/without-rights.js'
import { utcText, utcMillis, type RecordLine } from '../../agent/terms/terms.js'
import {
  anchor,
  archiveOf,
  at,
  event,
  linesFilesOf,
  type Make,
  minute,
  minutes,
  newFolder,
  otherScaling,
  pairMinute,
  ran,
  removeFolders,
  siteEntry,
  storeOf,
} from './desk-rig.js'

afterAll(removeFolders)

const minuteMillis = 60_000
const zone = '+01:00'
interface Told {
  series: {
    channel: string
    scaling: string
    serial: string | null
    deployment: { place: string } | null
    periods: {
      from: string
      kind: string
      mean: number | null
      mean_without_marked: number | null
      at_least?: boolean
      data_capture_percent: number
      sampled_share_percent: number
      rolling_24h: { mean: number | null; hours: number }
    }[]
    days: { day: string; valid: boolean; mean: number; full_hours: number }[]
  }[]
  left_out_s: Record<string, number>
  records_without_time: { boot: string; records: number; first_seq: number; last_seq: number }[]
  records_placed_by_time_checks: number
}

async function told(store: string, options: AveragesOptions = {}): Promise<Told> {
  const { out } = await ran(() => averages({ store, zone, json: true, ...options }))
  return JSON.parse(out) as Told
}

const text = async (store: string, options: AveragesOptions = {}): Promise<string> =>
  (await ran(() => averages({ store, zone, ...options }))).out

describe('averages', () => {
  it('count for a gauge while the sensor sleeps by plan, and nothing of what was sampled on request', async () => {
    const asleep =
      (make: Make, marked: Readonly<Record<string, number>> = {}): Make =>
      (seq) => {
        const line = make(seq) as RecordLine
        const sampled = marked['on-request'] ?? 0
        return {
          ...line,
          planned: 0,
          marked,
          values: [sampled ? 500 : NaN, sampled, 500, ...Array.from(line.values).slice(3)],
        }
      }
    const lines = minutes(at(9), 60, 10).map((make, i) =>
      i % 15 < 5 ? make : asleep(make, i % 15 < 10 ? { 'on-request': 60 } : {}),
    )
    const { series } = await told(await storeOf(lines), { channel: ['pm2_5', 'battery_voltage'] })
    const hour = (channel: string) => series.find((one) => one.channel === channel)!.periods[0]
    expect(hour('pm2_5')).toMatchObject({
      mean: 10,
      data_capture_percent: 100,
      sampled_share_percent: 33.3,
    })
    expect(hour('battery_voltage')).toMatchObject({ data_capture_percent: 100, sampled_share_percent: 100 })
  })

  it('are what a hand sum gives, with data capture and sampled share beside each', async () => {
    // 09:00: 30 min of 10 and 20 min of 40 -> (30 * 10 + 20 * 40) / 50 = 22; 50 of 60 min.
    const store = await storeOf([
      ...minutes(at(9), 30, 10),
      ...minutes(at(9) + 30 * minuteMillis, 20, 40),
      ...minutes(at(9) + 50 * minuteMillis, 10, 0, { used: 0 }),
    ])
    const { series } = await told(store)
    expect(series[0].periods[0]).toMatchObject({
      from: '2026-03-03T09:00:00+01:00',
      kind: 'full',
      mean: 22,
      data_capture_percent: 83.3,
      sampled_share_percent: 83.3,
    })
    expect(await text(store)).toMatch(
      /2026-03-03 09:00 {2}22\.00 {5}22\.00 {3}83\.3 % {3}83\.3 % {3}full {2}1 of 24 h/,
    )
  })

  it('say of a day with 13 of 24 hours what may be concluded, and call it no 24-hour mean', async () => {
    const store = await storeOf(minutes(at(0), 13 * 60, 12))
    // 13 * 12 / 24 = 6.5
    expect(await text(store)).toContain(
      '13 of 24 h: no 24-hour mean; mean so far 12.00; the day is at least 6.50',
    )
    const enough = await storeOf(minutes(at(0), 18 * 60, 12))
    expect(await text(enough)).toContain('24-hour mean (18 of 24 h)')
  })

  it('say at least where a part was over range, also of 24 hours with such an hour', async () => {
    const store = await storeOf([
      ...minutes(at(0), 18 * 60, 10),
      ...minutes(at(18), 60, 450, { max: 720, marked: { 'over-range': 20 } }),
    ])
    const out = await text(store)
    expect(out).toMatch(/2026-03-03 18:00 +at least 450\.00 +- .* full +at least 33\.16/)
    expect(out).toMatch(/2026-03-03 +at least 33\.16/)
    expect(out).toMatch(/2026-03-03 17:00 +10\.00/)
  })

  it('of both weekends on which clocks are changed have 24 rows a day', async () => {
    // Where the zone list puts CET's changes: 29 March and 25 October 2026 at 01:00 UTC.
    for (const day of ['2026-03-29', '2026-10-25']) {
      const start = Date.parse(`${day}T00:00:00+01:00`)
      const store = await storeOf(minutes(start, 1440, 5))
      const { series } = await told(store, { zone: 'CET' })
      expect(series[0].periods).toHaveLength(24)
      expect(series[0].periods.every(({ kind, mean }) => kind === 'full' && mean === 5)).toBe(true)
      expect(series[0].days).toMatchObject([{ day, valid: true, full_hours: 24 }])
    }
  })

  it('are the same of an archive, whatever the order of arrival', async () => {
    const lines = Array.from({ length: 1500 }, (_, i) => minute(at(0) + i * minuteMillis, (i * 7) % 60))
    const store = await storeOf([siteEntry(at(-1), 'set-up', { place: 'gate' }), ...lines], 400)
    const archive = await archiveOf(store, (all) => [...all].reverse())
    expect(await told(archive)).toEqual(await told(store))
  })
})

describe('a change of unit', () => {
  const swapAt = at(12) + 30 * minuteMillis
  const swapped = (when: number): Make[] => [
    siteEntry(at(0), 'set-up', { place: 'gate', new_serial: 'A-1' }),
    ...minutes(at(0), 750, 10),
    siteEntry(when, 'swapped', { old_serial: 'A-1', new_serial: 'B-2' }),
    ...minutes(swapAt, 690, 20),
  ]

  it('is crossed by no hour, day or rolling mean, and both serials are listed', async () => {
    const store = await storeOf(swapped(swapAt))
    const { series } = await told(store)
    expect(series.map(({ serial }) => serial)).toEqual(['A-1', 'B-2'])
    const means = series.map(({ periods, days }) => [
      ...periods.flatMap(({ mean, rolling_24h }) => [mean, rolling_24h.mean]),
      ...days.map(({ mean }) => mean),
    ])
    expect(new Set(means[0])).toEqual(new Set([10, null]))
    expect(new Set(means[1])).toEqual(new Set([20, null]))
    expect(series[0].periods.at(-1)).toMatchObject({ from: '2026-03-03T12:00:00+01:00', kind: 'short' })
    expect(series[1].periods[0]).toMatchObject({ from: '2026-03-03T12:00:00+01:00', kind: 'short' })
    const out = await text(store)
    expect(out).toContain('unit A-1; gate since')
    expect(out).toContain('unit B-2; gate since')
    expect(out).toContain('no figure is of both')
  })

  it('within a record leaves that record to neither', async () => {
    const store = await storeOf(swapped(swapAt + 20_000))
    const { series, left_out_s } = await told(store)
    expect(left_out_s).toEqual({ 'unit A-1 out, B-2 in': 60 })
    expect(series.map(({ periods }) => periods.at(0)?.mean)).toEqual([10, 20])
  })

  it('is no other than a change of scaling: rows of its own, and no hour of both', async () => {
    const store = await storeOf([
      ...minutes(at(9), 30, 10),
      ...minutes(at(9) + 30 * minuteMillis, 90, 30, { set: otherScaling }),
    ])
    const { series } = await told(store)
    expect(
      series.map(({ scaling, periods }) => [scaling, periods.map(({ kind, mean }) => [kind, mean])]),
    ).toEqual([
      ['atmospheric', [['short', 10]]],
      [
        'standard-particle',
        [
          ['short', 30],
          ['full', 30],
        ],
      ],
    ])
  })
})

describe('two sensors in one box', () => {
  it('are swapped, marked and over range each for itself', async () => {
    const of = (from: number, second: number): Make[] =>
      Array.from({ length: 60 }, (_, i) =>
        pairMinute(from + i * minuteMillis, 10, second, { 'over-range.2': 5 }),
      )
    const store = await storeOf([
      ...of(at(9), 480),
      siteEntry(at(10), 'swapped', { slot: '2', old_serial: 'A-2', new_serial: 'B-2' }),
      ...of(at(10), 490),
    ])
    const { series } = await told(store)
    expect(series.map(({ channel, serial }) => [channel, serial])).toEqual([
      ['pm2_5.1', null],
      ['pm2_5.2', 'A-2'],
      ['pm2_5.2', 'B-2'],
    ])
    const [first, ...second] = series.map(({ periods }) => periods)
    expect(first).toMatchObject([{ mean: 10, mean_without_marked: 10 }, { mean: 10 }])
    expect(first.some(({ at_least }) => at_least)).toBe(false)
    expect(second).toMatchObject([
      [{ mean: 480, at_least: true, mean_without_marked: null }],
      [{ mean: 490, at_least: true }],
    ])
  })
})

describe('the site log', () => {
  const span = {
    effect: 'exclude',
    name: 'somebody',
    reason: 'bonfire next door',
    from: utcText(utcMillis(at(10))),
    to: utcText(utcMillis(at(11))),
  }

  it('changes averages of the day before by an excluded span; the records stay as they are', async () => {
    const lines = [...minutes(at(8), 120, 10), ...minutes(at(10), 60, 400), ...minutes(at(11), 60, 10)]
    const before = await storeOf(lines)
    const after = await storeOf([...lines, siteEntry(at(30), 'excluded', span)])
    const means = async (store: string) => (await told(store)).series[0].periods.map(({ mean }) => mean)
    expect(await means(before)).toEqual([10, 10, 400, 10])
    expect(await means(after)).toEqual([10, 10, null, 10])
    const recordsOf = (folder: string) =>
      readFileSync(linesFilesOf(folder)[0], 'utf8')
        .split('\n')
        .filter((line) => line.startsWith('record'))
    expect(recordsOf(after)).toEqual(recordsOf(before))
    expect(await text(after)).toContain('Left out by the site log: 60.0 min, somebody: bonfire next door')
  })

  it('leaves the battery alone', async () => {
    const store = await storeOf([...minutes(at(10), 60, 400), siteEntry(at(30), 'excluded', span)])
    const { series } = await told(store, { channel: ['battery_voltage'] })
    expect(series[0].periods).toMatchObject([{ kind: 'full', mean: -12.5 }])
  })

  it('lets only what was recorded in a deployment count, where one was set up', async () => {
    const store = await storeOf([
      ...minutes(at(6), 60, 100),
      siteEntry(at(7), 'set-up', { place: 'gate' }),
      ...minutes(at(7), 60, 10),
      siteEntry(at(8), 'removed'),
      ...minutes(at(8), 60, 100),
    ])
    const { series, left_out_s } = await told(store)
    expect(
      series.map(({ deployment, periods }) => [deployment?.place, periods.map(({ mean }) => mean)]),
    ).toEqual([['gate', [10]]])
    expect(Object.values(left_out_s)).toEqual([7200])
  })
})

describe('time at reading', () => {
  it('is corrected by a later time check of the same boot', async () => {
    const store = await storeOf([...minutes(at(4), 60, 7, { timeless: true }), anchor(at(5))])
    const { series, records_placed_by_time_checks } = await told(store)
    expect(series[0].periods).toMatchObject([{ from: '2026-03-03T04:00:00+01:00', mean: 7 }])
    expect(records_placed_by_time_checks).toBe(60)
  })

  it('is not guessed: records of a boot without any time check are counted and named', async () => {
    const store = await storeOf([
      ...minutes(at(4), 60, 7),
      ...minutes(at(5), 5, 900, { timeless: true, boot: 'ffffffff' }),
      anchor(at(6)),
    ])
    const { series, records_without_time } = await told(store)
    expect(series[0].periods.map(({ mean }) => mean)).toEqual([7])
    expect(records_without_time).toMatchObject([
      { boot: 'ffffffff', records: 5, first_seq: 61, last_seq: 65 },
    ])
    expect(await text(store)).toContain('NOT IN THESE FIGURES: 5 records (numbers 61 to 65, boot ffffffff)')
  })

  it('is told in the zone of the newest settings line, where nobody says another', async () => {
    const details = { hash: '0011', 'station.standard_offset_min': '345' }
    const store = await storeOf([event(at(3), 'settings', details), ...minutes(at(4), 60, 7)])
    const out = await text(store, { zone: undefined })
    expect(out).toContain("UTC+05:45 (by the store's settings line)")
    expect(out).toMatch(/2026-03-03 08:00 .*15\.0 min only/)
    expect(out).toMatch(/2026-03-03 09:00 .*full/)
    expect(await text(await storeOf(minutes(at(4), 60, 7)), { zone: undefined })).toContain('UTC+00:00')
  })

  it('and folder are those of a settings file, where one is given', async () => {
    const store = await storeOf(minutes(at(4), 60, 7))
    const settings = join(newFolder(), 'station.yaml')
    const instrument = '{ layout: frames-424d-32, port: /dev/ttyUSB0 }'
    writeFileSync(
      settings,
      `version: 1\nstation: { name: hill, time_zone: Etc/GMT-2 }\ninstruments:\n  - ${instrument}\ndata: { folder: ${store} }\n`,
    )
    const { code, out } = await ran(() => averages({ settings }))
    expect(code).toBe(0)
    expect(out).toContain('UTC+02:00, Etc/GMT-2 without summer time (by the settings)')
    expect(out).toContain('2026-03-03 05:00')
    expect(await ran(() => averages({ settings: settings + 'x' }))).toMatchObject({ code: 2 })
  })

  it('of --from and --to is local standard time, a day of --to with all its hours', async () => {
    const store = await storeOf(minutes(at(0), 48 * 60, 3))
    const hours = async (from: string, to: string) => (await told(store, { from, to })).series[0].periods
    expect(await hours('2026-03-03', '2026-03-03')).toHaveLength(24)
    expect(await hours('2026-03-03 08:00', '2026-03-03 10:00')).toHaveLength(2)
    expect((await hours('2026-03-03T08:00Z', '2026-03-03T09:00Z'))[0].from).toBe('2026-03-03T09:00:00+01:00')
  })
})

describe('what cannot be averaged', () => {
  const use = (options: AveragesOptions) => ran(() => averages({ zone, ...options }))

  it.each([
    ['a folder that is not there', () => join(newFolder(), 'nowhere'), /there is no folder/],
    ['an empty folder', () => newFolder(), /holds no store: it is empty/],
    [
      'a folder that is no store',
      () => {
        const folder = newFolder()
        writeFileSync(join(folder, 'holiday.txt'), 'sun')
        return folder
      },
      /holds no store.*holiday\.txt/,
    ],
    [
      'a file',
      () => {
        const file = join(newFolder(), 'lines.csv')
        writeFileSync(file, 'x')
        return file
      },
      /is a file; name the folder/,
    ],
  ])('is refused as wrong use: %s', async (_, store, words) => {
    const { code, out, err } = await use({ store: store() })
    expect(err).toMatch(words)
    expect([code, out]).toEqual([2, ''])
  })

  it.skipIf(withoutRights === undefined)('is told of a folder that may not be read', async () => {
    const folder = newFolder()
    chmodSync(folder, 0)
    const { code, out, err } = await runWithoutRights([built('cli/main.js'), 'averages', '--store', folder])
    expect(err).toContain(`no permission to read ${folder}`)
    expect([code, out]).toEqual([1, ''])
    chmodSync(folder, 0o700)
  })

  it('is told of a store without records, with a problem as exit code', async () => {
    const { code, out } = await use({ store: await storeOf([]) })
    expect(code).toBe(1)
    expect(out).toContain('There are no records here yet.')
    expect(await use({ store: await storeOf([minute(at(1), 5)]) })).toMatchObject({ code: 0 })
  })

  it('is refused where several stores are in the folder, until one is named', async () => {
    const folder = newFolder()
    const one = await storeOf(minutes(at(4), 60, 7))
    for (const name of ['a', 'b']) {
      mkdirSync(join(folder, name))
      for (const file of linesFilesOf(one))
        writeFileSync(join(folder, name, 'lines-000000000001.csv'), readFileSync(file))
    }
    const { code, err } = await use({ store: folder })
    expect(code).toBe(2)
    expect(err).toContain('holds 2 stores; say which with --store-id')
    expect((await use({ store: folder, storeId: 'zzz' })).err).toContain("no store here is 'zzz'")
  })

  it.each([
    [{ zone: 'CTE' }, /--zone CTE: expected a zone/],
    [{ zone: '+25:00' }, /--zone \+25:00: expected/],
    [{ from: 'yesterday' }, /--from yesterday: expected a day/],
    [{ from: '2026-02-30' }, /--from 2026-02-30: expected/],
    [{ from: '2026-03-04', to: '2026-03-03' }, /is not before/],
    [{ channel: ['pm25'] }, /--channel pm25: this store has pm2_5, battery_voltage/],
  ])('is refused with what is allowed: %o', async (options, words) => {
    const { code, err } = await use({ store: await storeOf(minutes(at(4), 60, 7)), ...options })
    expect(err).toMatch(words)
    expect(code).toBe(2)
  })
})
