import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { gunzipSync } from 'node:zlib'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  blockAt,
  BlockSums,
  dayFigure,
  hourAt,
  quarterHourSeconds,
  rolling24,
  startOfDay,
  type Piece,
} from '../../agent/averages/averages.js'
import { localDay, utcMillis } from '../../agent/terms/terms.js'

const shared = join(import.meta.dirname, '../../../shared')
const day = 20_515 // 2026-03-03
const midnight = startOfDay(day)
const minute = 60_000
const hour = 3_600_000

const piece = (from: number, mean: number, more: Partial<Piece> = {}): Piece => ({
  from,
  seconds: 60,
  plannedSeconds: 60,
  usedSeconds: 60,
  mean,
  marked: false,
  over: false,
  ...more,
})

const sumsOf = (pieces: readonly Piece[]): BlockSums => {
  const sums = new BlockSums(quarterHourSeconds)
  for (const one of pieces) sums.add(one)
  return sums
}

const minutes = (from: number, count: number, mean: number, more: Partial<Piece> = {}): Piece[] =>
  Array.from({ length: count }, (_, i) => piece(from + i * minute, mean, more))

describe('hours', () => {
  it('of 45 min are full, and weigh each used second alike', () => {
    // Hand sum: 15 min of 10, 30 min of 40 -> (15 * 10 + 30 * 40) / 45 = 30.
    const sums = sumsOf([...minutes(midnight, 15, 10), ...minutes(midnight + 30 * minute, 30, 40)])
    expect(hourAt(sums, midnight)).toMatchObject({ kind: 'full', usedSeconds: 2700, sampledShare: 0.75 })
    expect(hourAt(sums, midnight).mean).toBeCloseTo(30, 9)
  })

  it('a second short of 45 min in three quarter-hours are no hour, only a mean so far', () => {
    const sums = sumsOf([
      ...minutes(midnight, 44, 10),
      piece(midnight + 44 * minute, 10, { usedSeconds: 59 }),
    ])
    expect(hourAt(sums, midnight)).toMatchObject({ kind: 'short', usedSeconds: 2699 })
  })

  it('of 12 min in four quarter-hours are sampled, and the quarter-hours weigh alike', () => {
    // 3 + 3 + 3 + 9 min of 10, 20, 30, 100: (10 + 20 + 30 + 100) / 4 = 40, by used time it would be 60.
    const quarter = (n: number, count: number, mean: number): Piece[] =>
      minutes(midnight + n * 15 * minute, count, mean)
    const sums = sumsOf([
      ...quarter(0, 3, 10),
      ...quarter(1, 3, 20),
      ...quarter(2, 3, 30),
      ...quarter(3, 9, 100),
    ])
    expect(hourAt(sums, midnight)).toMatchObject({ kind: 'sampled', mean: 40, sampledShare: 0.3 })
    const missingOne = sumsOf([...quarter(0, 9, 10), ...quarter(1, 9, 20), ...quarter(3, 9, 100)])
    expect(hourAt(missingOne, midnight).kind).toBe('short')
    const tooLittle = sumsOf([
      ...quarter(0, 3, 10),
      ...quarter(1, 3, 20),
      ...quarter(2, 3, 30),
      ...quarter(3, 2, 1),
    ])
    expect(hourAt(tooLittle, midnight).kind).toBe('short')
  })

  it('name data capture and sampled share apart: what was not planned lacks in one of them only', () => {
    const sums = sumsOf(minutes(midnight, 60, 5, { plannedSeconds: 20, usedSeconds: 15 }))
    expect(hourAt(sums, midnight)).toMatchObject({ dataCapture: 0.75, sampledShare: 0.25, kind: 'sampled' })
  })

  it('split a record that straddles the edge by time', () => {
    const sums = sumsOf([piece(midnight + hour - 20_000, 30)])
    expect(hourAt(sums, midnight)).toMatchObject({ mean: 30 })
    expect(hourAt(sums, midnight).usedSeconds).toBeCloseTo(20, 9)
    expect(hourAt(sums, midnight + hour).usedSeconds).toBeCloseTo(40, 9)
  })

  it('say their mean with and without what is marked, and at least where a part was over range', () => {
    const sums = sumsOf([
      ...minutes(midnight, 30, 10),
      ...minutes(midnight + 30 * minute, 30, 500, { marked: true, over: true }),
    ])
    expect(hourAt(sums, midnight)).toMatchObject({
      mean: 255,
      meanUnmarked: 10,
      unmarkedSeconds: 1800,
      atLeast: true,
    })
  })

  it('know when two records lie over each other', () => {
    expect(hourAt(sumsOf(minutes(midnight, 60, 1)), midnight).doubled).toBe(false)
    expect(hourAt(sumsOf([...minutes(midnight, 60, 1), piece(midnight, 1)]), midnight).doubled).toBe(true)
  })

  it('of nothing are empty', () => {
    expect(hourAt(sumsOf([]), midnight)).toMatchObject({ kind: 'empty', mean: NaN, dataCapture: 0 })
    const unused = piece(midnight, NaN, { usedSeconds: 0 })
    expect(hourAt(sumsOf([unused]), midnight)).toMatchObject({ kind: 'empty', plannedSeconds: 60 })
  })

  it('do not depend on how records are cut, nor on their order', () => {
    const seed = 20261125
    console.info(`hours from cut and shuffled records: seed ${seed}`)
    const record = fc.record({
      from: fc.integer({ min: 0, max: 3 * 3600 }).map((s) => midnight + s * 1000),
      seconds: fc.integer({ min: 1, max: 120 }),
      mean: fc.double({ min: 0, max: 500, noNaN: true }),
      share: fc.constantFrom(0, 0.5, 1),
      marked: fc.boolean(),
      cut: fc.double({ min: 0.1, max: 0.9, noNaN: true }),
      order: fc.integer(),
    })
    fc.assert(
      fc.property(fc.array(record, { maxLength: 120 }), (records) => {
        const whole = records.map((r) => partOf(r, 0, 1))
        const cut = [...records]
          .sort((a, b) => a.order - b.order)
          .flatMap((r) => [partOf(r, r.cut, 1), partOf(r, 0, r.cut)])
        for (let h = 0; h < 4; h++) {
          const a = hourAt(sumsOf(whole), midnight + h * hour)
          const b = hourAt(sumsOf(cut), midnight + h * hour)
          expect(b.usedSeconds).toBeCloseTo(a.usedSeconds, 6)
          expect(b.plannedSeconds).toBeCloseTo(a.plannedSeconds, 6)
          if (a.kind !== b.kind) expect(onTheEdge(a.usedSeconds)).toBe(true)
          else if (a.usedSeconds > 1e-6) expect(b.mean).toBeCloseTo(a.mean, 6)
        }
      }),
      { seed, numRuns: 200 },
    )
  })
})

interface Cuttable {
  from: number
  seconds: number
  mean: number
  share: number
  marked: boolean
}

const partOf = (r: Cuttable, from: number, to: number): Piece => ({
  from: r.from + from * r.seconds * 1000,
  seconds: (to - from) * r.seconds,
  plannedSeconds: (to - from) * r.seconds,
  usedSeconds: (to - from) * r.seconds * r.share,
  mean: r.share > 0 ? r.mean : NaN,
  marked: r.marked,
  over: false,
})

/** Where the last bit of a sum decides whether the least of an hour is reached. */
const onTheEdge = (used: number): boolean =>
  [60, 120, 180, 240, 720, 2700].some((edge) => Math.abs(used - edge) < 1)

describe('10-min means', () => {
  it('need 75 % of their time', () => {
    const sums = new BlockSums(600)
    for (const one of minutes(midnight, 7, 10)) sums.add(one)
    expect(blockAt(sums, midnight)).toMatchObject({ kind: 'short', mean: 10 })
    sums.add(piece(midnight + 7 * minute, 20, { usedSeconds: 30 }))
    expect(blockAt(sums, midnight).kind).toBe('full')
    expect(blockAt(sums, midnight).mean).toBeCloseTo((7 * 60 * 10 + 30 * 20) / 450, 9)
  })
})

describe('days', () => {
  const hoursOf = (values: readonly number[]): BlockSums =>
    sumsOf(values.flatMap((value, i) => (Number.isNaN(value) ? [] : minutes(midnight + i * hour, 60, value))))

  it('need 18 hours of 24; the mean is that of the hours present', () => {
    const eighteen = dayFigure(hoursOf(Array.from({ length: 18 }, (_, i) => i)), day)
    expect(eighteen).toMatchObject({ day: '2026-03-03', valid: true, fullHours: 18, mean: 8.5 })
    const thirteen = dayFigure(hoursOf(Array.from({ length: 13 }, () => 12)), day)
    expect(thirteen).toMatchObject({ valid: false, fullHours: 13, mean: 12, lowestPossible: (13 * 12) / 24 })
    expect(thirteen.hours).toHaveLength(24)
  })

  it('weigh hours alike, however much of each was used', () => {
    const sums = sumsOf([
      ...minutes(midnight, 45, 0),
      ...Array.from({ length: 17 }, (_, i) => minutes(midnight + (i + 1) * hour, 60, 18)).flat(),
    ])
    expect(dayFigure(sums, day).mean).toBeCloseTo((17 * 18) / 18, 9)
  })

  it('have a rolling mean of 24 h where 18 hours of it are there', () => {
    const sums = hoursOf(Array.from({ length: 24 }, (_, i) => (i < 6 ? NaN : i)))
    expect(rolling24(sums, midnight + 22 * hour)).toMatchObject({ hours: 17, mean: NaN })
    expect(rolling24(sums, midnight + 23 * hour)).toMatchObject({ hours: 18, mean: 14.5 })
  })

  it('are local standard time as 40 CFR 50 App. N asks', () => {
    const file = join(shared, 'reference/air-checks.json')
    if (!existsSync(file))
      return console.info('shared/reference is not here: local standard days not compared')
    const vectors = JSON.parse(readFileSync(file, 'utf8')) as LocalDayVector[]
    const mine = vectors.filter(({ topic }) => topic === 'appn/local-standard-day')
    expect(mine.length).toBeGreaterThan(3)
    for (const { inputs, expected } of mine) {
      const offset = inputs.standardOffsetHours * 60
      const utc = utcMillis(Date.parse(inputs.utc))
      expect(localDay(utc, offset)).toBe(expected.date)
      const sums = sumsOf([piece(utc + offset * minute, 1)])
      const figure = dayFigure(sums, sums.days()[0])
      expect(figure.day).toBe(expected.date)
      expect(figure.hours.findIndex(({ usedSeconds }) => usedSeconds > 0)).toBe(expected.hour)
    }
  })

  it.each(['Dongsi', 'Dingling', 'Shunyi'])(
    'and rolling means of the open data of %s are those R gives',
    (site) => {
      const file = join(shared, `data/${site}.csv.gz`)
      if (!existsSync(file)) return console.info('shared/data is not here: days not compared with R')
      const sums = new BlockSums(quarterHourSeconds)
      const starts: number[] = []
      for (const { at, pm2_5 } of openHours(file)) {
        starts.push(at)
        const hourLong = { seconds: 3600, plannedSeconds: 3600, usedSeconds: 3600 }
        if (!Number.isNaN(pm2_5)) sums.add(piece(at, pm2_5, hourLong))
      }
      const { pm25 } = expectedOf(site)
      const days = sums
        .days()
        .map((one) => dayFigure(sums, one))
        .filter(({ valid }) => valid)
      expect(days).toHaveLength(pm25.validDays)
      expect(days.filter(({ mean }) => mean > 35)).toHaveLength(pm25.daysAbove35)
      const highest = days.reduce((a, b) => (b.mean > a.mean ? b : a))
      expect(highest.mean).toBeCloseTo(pm25.maxDay, 9)
      expect(highest.day).toBe(pm25.maxDayDate)
      const rolling = starts.map((at) => ({ at, ...rolling24(sums, at) })).filter(({ hours }) => hours >= 18)
      const top = rolling.reduce((a, b) => (b.mean > a.mean ? b : a))
      expect(top.mean).toBeCloseTo(pm25.maxRolling24h.value, 9)
      expect(new Date(top.at).toISOString().slice(0, 16).replace('T', ' ')).toBe(
        pm25.maxRolling24h.endsAfterHour,
      )
    },
  )
})

interface LocalDayVector {
  topic: string
  inputs: { utc: string; standardOffsetHours: number }
  expected: { date: string; hour: number }
}

interface Expected {
  site: string
  pm25: {
    validDays: number
    daysAbove35: number
    maxDay: number
    maxDayDate: string
    maxRolling24h: { value: number; endsAfterHour: string }
  }
}

function expectedOf(site: string): Expected {
  const text = readFileSync(join(shared, 'reference/hourly-sites-expected.json'), 'utf8')
  return (JSON.parse(text) as { sites: Expected[] }).sites.find((one) => one.site === site)!
}

function openHours(file: string): { at: number; pm2_5: number }[] {
  const [heading, ...rows] = gunzipSync(readFileSync(file)).toString().trim().split(/\r?\n/)
  const names = heading.replaceAll('"', '').split(',')
  return rows.map((row) => {
    const cells = row.replaceAll('"', '').split(',')
    const cell = (name: string): number =>
      cells[names.indexOf(name)] === 'NA' ? NaN : Number(cells[names.indexOf(name)])
    return { at: Date.UTC(cell('year'), cell('month') - 1, cell('day'), cell('hour')), pm2_5: cell('PM2.5') }
  })
}
