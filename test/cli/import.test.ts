/** Logs of other makes and open reference data, read by the command. */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { gzipSync } from 'node:zlib'
import { afterAll, describe, expect, it } from 'vitest'
import { averages } from '../../agent/cli/averages.js'
import { importLog } from '../../agent/cli/import.js'
import type { ImportOptions } from '../../agent/cli/import-plan.js'
import { readSeriesFile, type ImportedSeries } from '../../agent/cli/import-series.js'
import { daysOf, HourSeries, plainDay, rollingMaximum } from '../../agent/limits/limits.js'
import { sharedJson, sharedPath } from '../support/shared-reference.js'
import { newFolder, ran, removeFolders, type Ran } from './desk-rig.js'

afterAll(removeFolders)

const typed = { into: '' }
type Typed = Partial<ImportOptions>

/** Imports these bytes and gives what was said and what was written. */
async function imported(
  log: string | Buffer,
  options: Typed = {},
): Promise<Ran & { rows: string[]; told: Told }> {
  const folder = newFolder()
  const file = join(folder, 'log.csv')
  writeFileSync(file, log)
  const done = await ran(() => importLog(file, { ...typed, into: folder, json: true, ...options }))
  const rows =
    done.code === 2 || !done.out.startsWith('{')
      ? []
      : readFileSync(join(folder, 'log.series.csv'), 'utf8').trim().split('\n')
  return { ...done, rows, told: rows.length > 0 ? (JSON.parse(done.out) as Told) : ({} as Told) }
}

interface Told {
  readonly lines: { taken: number; given: number; held: number; refused: Record<string, number> }
  readonly step_s: number
  readonly out_of_order: number
  readonly channels: Record<
    string,
    { values: number; missing: number; impossible: number; 'not-a-number': number }
  >
  readonly refused: Record<string, { lines: number; first_lines: number[] }>
}

function seriesAt(file: string): ImportedSeries {
  const read = readSeriesFile(file)
  if (!read.ok) throw new Error(read.words)
  return read.value
}

describe('a log of a hand-made logger', () => {
  it('gives its rows, and says of every other line why it was not taken', async () => {
    const { code, rows, told } = await imported(
      [
        'my logger v2, garden',
        'timestamp,PM2.5,PM10,note',
        '2026-03-01 00:00:00,10.5,20,',
        'Traceback: serial timeout',
        '2026-03-01 00:01:00,nan,21,',
        '2026-03-01 00:03:00,12,oops,',
        '2026-03-01 00:02:00,11,22,"late, but here"',
        '2026-03-01 00:02:00,11,22,again',
        '2026-03-01 00:03:00,99,23,other',
        'timestamp,PM2.5,PM10,note',
        '2026-02-30 00:04:00,1,1,',
        '2026-03-01 00:04:00,NA,,',
        '2026-03-01 00:05:00,-999,65535,',
        '',
        '2026-03-01 00:06:00,13',
      ].join('\r\n'),
      { zone: '+01:00' },
    )
    expect(code).toBe(1)
    expect(rows).toEqual([
      'start (motepost series 1),seconds,pm2_5 (ug/m3),pm10 (ug/m3; inferred)',
      '2026-03-01T00:00:00+01:00,60,10.5,20',
      '2026-03-01T00:01:00+01:00,60,,21',
      '2026-03-01T00:02:00+01:00,60,11,22',
      '2026-03-01T00:03:00+01:00,60,12,',
    ])
    expect(told.refused).toMatchObject({
      'before-header': { lines: 1, first_lines: [1] },
      'not-a-row': { lines: 2, first_lines: [4, 15] },
      double: { lines: 1, first_lines: [8] },
      'double-other': { lines: 1, first_lines: [9] },
      'header-again': { lines: 1, first_lines: [10] },
      'no-time': { lines: 1, first_lines: [11] },
      'no-value': { lines: 2, first_lines: [12, 13] },
      blank: { lines: 1, first_lines: [14] },
    })
    expect(told.channels.pm10).toMatchObject({ 'not-a-number': 1, impossible: 1 })
    expect(told.out_of_order).toBe(1)
    const { taken, given, held, refused } = told.lines
    expect(taken).toBe(given + held + Object.values(refused).reduce((sum, n) => sum + n, 0))
  })

  it('may be in the form of spreadsheets: semicolons, decimal comma, UTF-16, the day first, afternoon hours', async () => {
    const text = '\uFEFFWhen;Fine dust;Temp\r\n1.3.2026 12:00 AM;0,0125;50\r\n1.3.2026 12:01 PM;0,02;68\r\n'
    const { code, rows } = await imported(Buffer.from(text, 'utf16le'), {
      time: 'When',
      timeFormat: 'DD.MM.YYYY HH:mm A',
      map: ['pm2_5=Fine dust', 'temperature=Temp'],
      units: ['pm2_5=mg/m3', 'temperature=F'],
      decimal: 'comma',
      zone: 'Etc/GMT-1',
      step: '60',
    })
    expect(code).toBe(0)
    expect(rows.slice(1)).toEqual([
      '2026-03-01T00:00:00+01:00,60,12.5,10',
      '2026-03-01T12:01:00+01:00,60,20,20',
    ])
  })

  it('may have no headings, seconds since 1970 and another divider', async () => {
    const { rows } = await imported('1772323200 5 7\n1772323260 6 8\n', {
      header: false,
      time: '1',
      timeFormat: 'unix',
      map: ['pm2_5=2'],
      delimiter: 'blank',
    })
    expect(rows.slice(1)).toEqual(['2026-03-01T00:00:00+00:00,60,5', '2026-03-01T00:01:00+00:00,60,6'])
  })

  it('in summer time is placed in UTC, and the hour that came twice is refused, not guessed', async () => {
    const rowsOf = (day: string): string =>
      ['00:30', '02:30', '03:30'].map((time) => `${day} ${time},5\n`).join('')
    const { rows, told } = await imported(`time,pm10\n${rowsOf('2026-03-29')}${rowsOf('2026-10-25')}`, {
      zone: 'Europe/Berlin',
      step: '60',
    })
    expect(told.refused).toMatchObject({ 'never-was': { lines: 1 }, 'came-twice': { lines: 1 } })
    expect(rows.slice(1).map((row) => row.slice(0, 25))).toEqual([
      '2026-03-29T00:30:00+01:00',
      '2026-03-29T02:30:00+01:00',
      '2026-10-24T23:30:00+01:00',
      '2026-10-25T03:30:00+01:00',
    ])
  })
})

describe('hourly data', () => {
  const hours = 'date;hour;pm10\n2026-03-01;23:00;5\n2026-03-01;24:00;6\n2026-03-02;01:00;7\n'
  const options: Typed = { time: 'date,hour', zone: '+00:00' }

  it('is refused until somebody says whether the hours are named by start or end', async () => {
    const { code, err } = await imported(hours, options)
    expect(code).toBe(2)
    expect(err).toContain('--label start or --label end')
  })

  it('named by the end begins an hour earlier, and 24:00 is the midnight that follows', async () => {
    const { rows } = await imported(gzipSync(hours), { ...options, label: 'end' })
    expect(rows.slice(1).map((row) => row.slice(0, 16))).toEqual([
      '2026-03-01T22:00',
      '2026-03-01T23:00',
      '2026-03-02T00:00',
    ])
  })
})

describe('what cannot be read', () => {
  it('is told with what to type', async () => {
    expect((await imported('')).err).toContain('the file is empty')
    expect((await imported('a,b\n1,2\n')).err).toContain('no line of headings')
    expect((await imported('time,pm10\n2026-03-01 00:00,5\n', { map: ['dust=pm10'] })).err).toContain(
      "'dust' is no",
    )
    expect((await imported('time,pm10\n', { units: ['pm10=oz'] })).err).toContain('mg/m3')
    expect((await imported('time,pm10\n', { timeFormat: 'HH:mm' })).err).toContain('YYYY (or YY), MM (or MMM')
    const noZone = await imported('time,pm10\n2026-03-01 00:00,5\n')
    expect([noZone.code, noZone.err]).toEqual([1, expect.stringContaining('no --zone')])
  })

  it('writes nothing: a gzip that is cut off leaves no series file', async () => {
    const whole = gzipSync('time,pm10\n' + '2026-03-01 00:00,5\n'.repeat(1000))
    const { code, err } = await imported(whole.subarray(0, whole.length - 12), { zone: '+00:00' })
    expect(code).toBe(1)
    expect(err).toContain('nothing was written')
  })

  it('does not fill the memory: a line without end is refused by its length', async () => {
    const { told } = await imported(
      'time,pm10\n2026-03-01T00:00Z,5\n' + 'x'.repeat(1_000_000) + '\n2026-03-01T00:01Z,6\n',
    )
    expect(told.refused['too-long']).toEqual(expect.objectContaining({ lines: 1, first_lines: [3] }))
    expect(told.lines.given).toBe(2)
  })

  it('leaves a series file that is there alone unless told', async () => {
    const folder = newFolder()
    writeFileSync(join(folder, 'log.csv'), 'time,pm10\n2026-03-01T00:00Z,5\n2026-03-01T00:01Z,6\n')
    const again = (force: boolean) => ran(() => importLog(join(folder, 'log.csv'), { into: folder, force }))
    expect((await again(false)).code).toBe(0)
    expect((await again(false)).err).toContain('is there already')
    expect((await again(true)).code).toBe(0)
  })

  it('is noticed in a series file that somebody changed', async () => {
    const file = join(newFolder(), 'a.series.csv')
    writeFileSync(
      file,
      'start (motepost series 1),seconds,pm10 (ug/m3)\n2026-03-01T00:00:00+01:00,60,5\n1.3.26,60,6\n',
    )
    expect(readSeriesFile(file)).toMatchObject({
      ok: false,
      words: expect.stringContaining('a.series.csv:3:') as string,
    })
  })
})

describe('a series file', () => {
  it('gives averages as a store does, but no means shorter than its rows', async () => {
    const folder = newFolder()
    const log = join(folder, 'log.csv')
    const hours = Array.from({ length: 24 }, (_, i) => `2026-03-01 ${i}:00,${i}\n`)
    writeFileSync(log, 'time,pm10\n' + hours.join(''))
    await ran(() => importLog(log, { into: folder, zone: '+01:00', label: 'start' }))
    const store = join(folder, 'log.series.csv')
    const { code, out } = await ran(() => averages({ store, json: true }))
    expect(code).toBe(0)
    const told = JSON.parse(out) as { series: { days: { day: string; mean: number; valid: boolean }[] }[] }
    expect(told.series[0].days).toMatchObject([{ day: '2026-03-01', mean: 11.5, valid: true }])
    expect((await ran(() => averages({ store, tenMinutes: true }))).err).toContain('leave --ten-minutes out')
  })
})

interface Channel {
  readonly validHours: number
  readonly meanOfHours: number
  readonly validDays: number
  readonly daysAbove35?: number
  readonly daysAbove50?: number
  readonly byYear: Readonly<Record<string, { validDays: number; mean: number; max: number }>>
  readonly maxRolling24h: { value: number; endsAfterHour: string }
}
interface Expected {
  readonly sites: readonly {
    readonly site: string
    readonly hours: number
    readonly pm25: Channel
    readonly pm10: Channel
  }[]
}
const expected = sharedJson<Expected>('reference/hourly-sites-expected.json')

/** ../shared/reference/hourly-sites-expected.json: computed independently with R 4.2. */
describe.skipIf(!expected)('open hourly data of three sites, imported', () => {
  for (const site of expected?.sites ?? [])
    it(`${site.site}: hours, days, years and the highest 24 hours are those that R 4.2 found`, async () => {
      const folder = newFolder()
      const done = await ran(() =>
        importLog(sharedPath(`data/${site.site}.csv.gz`), {
          into: folder,
          map: ['pm2_5=PM2.5', 'pm10=PM10'],
          time: 'year,month,day,hour',
          zone: '+08:00',
          label: 'start',
        }),
      )
      expect(done.code).toBe(0)
      const series = seriesAt(join(folder, `${site.site}.series.csv`))
      expect(series).toMatchObject({ stepSeconds: 3600, offsetMinutes: 480, keys: ['pm2_5', 'pm10'] })
      agreesWith(series, 0, site.pm25, { 35: site.pm25.daysAbove35! })
      agreesWith(series, 1, site.pm10, { 50: site.pm10.daysAbove50! })
    })
})

function agreesWith(
  series: ImportedSeries,
  channel: number,
  wanted: Channel,
  above: Record<number, number>,
): void {
  const means = series.values[channel]
  const present = [...means].filter((value) => !Number.isNaN(value))
  expect(present.length).toBe(wanted.validHours)
  agrees(mean(present), wanted.meanOfHours)
  const hours = new HourSeries(
    [...means].map((value, i) => ({
      start: series.starts[i] + series.offsetMinutes * 60_000,
      mean: value,
      counted: true,
    })),
  )
  const days = daysOf(hours, plainDay).flatMap(({ day, figure }) =>
    figure.valid ? [{ day: day as string, value: figure.value }] : [],
  )
  expect(days.length).toBe(wanted.validDays)
  for (const [level, count] of Object.entries(above))
    expect(days.filter(({ value }) => value > Number(level)).length).toBe(count)
  for (const [year, figures] of Object.entries(wanted.byYear)) {
    const values = days.filter(({ day }) => day.startsWith(year)).map(({ value }) => value)
    expect(values.length).toBe(figures.validDays)
    agrees(mean(values), figures.mean)
    agrees(Math.max(...values), figures.max)
  }
  const highest = rollingMaximum(hours)!
  agrees(highest.mean, wanted.maxRolling24h.value)
  expect(new Date(highest.lastHour).toISOString().slice(0, 16).replace('T', ' ')).toBe(
    wanted.maxRolling24h.endsAfterHour,
  )
}

const mean = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length
const agrees = (value: number, wanted: number): void =>
  expect(Math.abs(value - wanted)).toBeLessThanOrEqual(1e-9 * Math.abs(wanted))

describe('what a log leaves open', () => {
  it('is told where no time could be read: what the first one says, and what to type', async () => {
    const { code, err } = await imported('Date,Time,PM2.5\n2026-03-01,00:00,5\n', { zone: '+00:00' })
    expect(code).toBe(1)
    expect(err.replace(/\s+/g, ' ')).toContain("is '00:00'")
    expect(err).toContain('--time date,time')
  })

  it('is not guessed from rows with values alone: empty hours tell the step too', async () => {
    const hours = ['12', 'n.v.', '14', 'n.v.', '9'].map((value, i) => `2026-03-01 0${i}:00,${value}\n`)
    const { told, rows } = await imported('time,pm10\n' + hours.join(''), {
      ...{ zone: '+01:00', label: 'start', missing: ['n.v.'] },
    })
    expect(told.step_s).toBe(3600)
    expect(rows.slice(1)).toHaveLength(3)
  })
})
