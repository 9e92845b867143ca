/** What the commands at the desk make of times that were corrected, withdrawn, or never known. */
import { afterAll, describe, expect, it } from 'vitest'
import { averages } from '../../agent/cli/averages.js'
import { exportData } from '../../agent/cli/export.js'
import { readOffered } from '../../agent/cli/set-clock.js'
import { trace } from '../../agent/cli/trace.js'
import { monoSeconds, utcMillis, utcText, type Line } from '../../agent/terms/terms.js'
import {
  archiveOf,
  at,
  event,
  midnight,
  minutes,
  ran,
  removeFolders,
  storeOf,
  type Make,
} from './desk-rig.js'

afterAll(removeFolders)

const zone = '+01:00'
const first = 'aaaaaaaa'
const second = 'bbbbbbbb'
const third = 'cccccccc'
const withdrawn = (from: number, to: number): Make =>
  event(at(5), 'anchors-withdrawn', { boot: first, from: String(from), to: String(to), by: 'ntp' })

/** A line of another boot, its monotonic time counted from its own start. */
const ofBoot =
  (make: Make, boot: string, began: number): Make =>
  (seq) => {
    const line = make(seq) as Extract<Line, { boot: string }>
    const seconds = (midnight - began) / 1000 - 100_000
    return { ...line, boot, mono: monoSeconds(line.mono + seconds) }
  }

const anchorOf =
  (boot: string, began: number, trueUtc: number, said = trueUtc): Make =>
  (seq) => ({
    kind: 'anchor',
    seq,
    boot,
    mono: monoSeconds((trueUtc - began) / 1000),
    utc: utcMillis(said),
    source: 'ntp',
    errorSeconds: 0.1,
  })

const minutesOf = (
  boot: string,
  began: number,
  utc: number,
  count: number,
  pm: number,
  timeless = false,
): Make[] => minutes(utc, count, pm, { timeless }).map((make) => ofBoot(make, boot, began))

interface Told {
  series: { periods: { start: string; mean: number | null }[] }[]
  records_without_time: { first_not_before?: string; first_not_after?: string; records: number }[]
  records_placed_by_time_checks: number
  records_placed_by_other_boots: number
}
const told = async (store: string): Promise<Told> =>
  JSON.parse((await ran(() => averages({ store, zone, json: true, from: '2000-01-01' }))).out) as Told
const csv = async (store: string): Promise<string> =>
  (await ran(() => exportData({ store, zone, of: 'minutes' }))).out

describe('records that were timed by a check which was withdrawn', () => {
  const began = at(0)
  const fiftyYears = 50 * 365.25 * 86_400_000
  const wrongMinutes = minutesOf(first, began, at(1), 60, 7).map((make): Make => (seq) => {
    const line = make(seq) as Extract<Line, { kind: 'record' }>
    return { ...line, utc: utcMillis(line.utc! + fiftyYears) }
  })
  const lines = [
    anchorOf(first, began, at(1), at(1) + fiftyYears),
    ...wrongMinutes,
    anchorOf(first, began, at(2)),
    withdrawn(1, 1),
    ...minutesOf(first, began, at(2), 60, 9),
  ]

  it('stand in their true hours, in a store and in an archive that heard of it last', async () => {
    const store = await storeOf(lines)
    const archive = await archiveOf(store, (all) => [...all].reverse())
    for (const folder of [store, archive]) {
      const { series, records_placed_by_time_checks: placed } = await told(folder)
      expect(series[0].periods.map(({ mean }) => mean)).toEqual([7, 9])
      expect(placed).toBe(60)
      expect(await csv(folder)).not.toContain('2076-')
    }
    const { out } = await ran(() => trace(2, { store, zone }))
    expect(out.replace(/\s+/g, ' ')).toContain('by a time check that was proved wrong')
  })
})

describe('a boot that never learned the time', () => {
  /** Boots of an hour each; between them the board was off so long. */
  const lives = (offSeconds: number): Make[] => {
    const begins = [0, 1, 2].map((i) => at(1) + i * (3_600_000 + offSeconds * 1000))
    return [
      anchorOf(first, begins[0], begins[0] + 60_000),
      ...minutesOf(first, begins[0], begins[0], 60, 5),
      ...minutesOf(second, begins[1], begins[1], 60, 6, true),
      anchorOf(third, begins[2], begins[2] + 60_000),
      ...minutesOf(third, begins[2], begins[2], 60, 8),
    ]
  }

  it('is bounded by its neighbours, shown so, and in no figure where the bounds are wide', async () => {
    const store = await storeOf(lives(1800))
    for (const folder of [store, await archiveOf(store, (all) => [...all].reverse())]) {
      const {
        series,
        records_without_time: [without],
      } = await told(folder)
      expect(series[0].periods.flatMap(({ mean }) => mean ?? [])).not.toContain(6)
      // The true begin, 02:30, lies within: after the end of the first boot, an hour before the begin of the third.
      expect(without).toMatchObject({ records: 60 })
      expect(Math.abs(Date.parse(without.first_not_before!) - at(2)) / 1000).toBeLessThan(2)
      expect(Math.abs(Date.parse(without.first_not_after!) - at(3)) / 1000).toBeLessThan(2)
      expect(await csv(folder)).toMatch(
        /,,,between 2026-03-03T(00:59:59|01:00:00)Z and 2026-03-03T02:00:0\dZ,60\.0,/,
      )
    }
    const { out } = await ran(() => trace(63, { store, zone }))
    expect(out.replace(/\s+/g, ' ')).toContain('by the boots before and after: no time check')
  })

  it('counts where they leave it no more than a minute', async () => {
    const told20 = await told(await storeOf(lives(20)))
    expect(told20.records_without_time).toEqual([])
    expect(told20.records_placed_by_other_boots).toBe(60)
    expect(told20.series[0].periods.length).toBeGreaterThan(2)
  })

  it('is bounded on one side where it is the newest', async () => {
    const store = await storeOf(lives(1800).slice(0, 121))
    const {
      records_without_time: [without],
    } = await told(store)
    expect(without.first_not_before).toBeDefined()
    expect(without.first_not_after).toBeUndefined()
  })
})

describe('a time that somebody offers', () => {
  const place = { timeZone: 'Europe/Berlin', standardOffsetMinutes: 60 }
  it.each([
    ['2026-03-01T08:30:05Z', '2026-03-01T08:30:05Z', 10],
    ['2026-03-01T08:30:05.250+05:45', '2026-03-01T02:45:05Z', 10],
    ['2026-03-01T08:30Z', '2026-03-01T08:30:00Z', 60],
    ['2026-07-01 08:30', '2026-07-01T06:30:00Z', 60],
  ])('%s is %s, within %d s', (text, utc, errorSeconds) => {
    const read = readOffered(text, place)
    expect(read).toMatchObject({ ok: true, errorSeconds })
    if (read.ok) expect(utcText(read.utc)).toBe(utc)
  })

  it.each(['08:30', 'now', 'yesterday 08:30', '2026-02-30 08:30', '2026-03-29 02:30', '1767225600'])(
    '%s is refused: a station that does not know the time does not know today either',
    (text) => expect(readOffered(text, place)).toMatchObject({ ok: false }),
  )
})
