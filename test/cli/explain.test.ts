import { afterAll, describe, expect, it } from 'vitest'
import { explain } from '../../agent/cli/explain.js'
import { trace } from '../../agent/cli/trace.js'
import {
  at,
  event,
  midnight,
  minute,
  minutes,
  newFolder,
  ran,
  removeFolders,
  siteEntry,
  storeOf,
} from './desk-rig.js'
import {
  averagesJson,
  averagesText,
  explained,
  explainLines,
  rerun,
  shellWords,
  type Explanation,
} from './figures-rig.js'
import { madeSeries, firstHour } from './compare-rig.js'

afterAll(removeFolders)

const zone = '+01:00'

async function facts(figure: string, when: string[], store: string, more: object = {}) {
  const out = await explained(figure, when, { store, zone, json: true, ...more })
  return (JSON.parse(out) as Explanation).figures
}

describe('an hour explained', () => {
  const mixed = () =>
    storeOf([
      siteEntry(at(0), 'set-up', { place: 'gate', new_serial: 'A-1' }),
      ...minutes(at(9), 30, 10),
      ...minutes(at(9.5), 10, 40, { used: 45, marked: { spike: 3 } }),
      ...minutes(at(9) + 40 * 60_000, 10, 0, { used: 0 }),
      ...minutes(at(9) + 50 * 60_000, 10, 20),
      siteEntry(at(10), 'excluded', {
        effect: 'exclude',
        name: 'bonfire',
        reason: 'not our dust',
        from: '2026-03-03T08:50:00Z',
        to: '2026-03-03T08:52:00Z',
      }),
    ])

  it('lists each record with number, seconds and what was said of it', async () => {
    const [{ rows, figure }] = await facts('hour', ['2026-03-03 09:00'], await mixed())
    expect(rows).toHaveLength(60)
    expect(rows[0]).toEqual(['2', '2026-03-03 09:00:00', '60.0', '60.0', '60.0', '10.00', ''])
    expect(rows[30][4]).toBe('45.0')
    expect(rows[30][6]).toContain('excluded: no-data 15.0 s')
    expect(rows[30][6]).toContain('marked: spike 3.0 s')
    expect(rows[50][6]).toContain('left out')
    expect(rows[50][4]).toBe('0.0')
    // 30 x 60 x 10 + 10 x 45 x 40 + 8 x 60 x 20, over 1800 + 450 + 480.
    expect(figure).toBe(((18_000 + 18_000 + 9_600) / 2_730).toFixed(2))
  })

  it('has rows whose used seconds and means make the figure again', async () => {
    const [{ rows, facts: told }] = await facts('hour', ['2026-03-03 09:00'], await mixed())
    const used = rows.reduce((sum, row) => sum + Number(row[4]), 0)
    const sum = rows.reduce((all, row) => all + Number(row[4]) * (Number(row[5]) || 0), 0)
    expect(told.used_s).toBe(used)
    expect(Number((sum / used).toFixed(2))).toBe(told.mean)
  })

  it('hands each of its lines to trace', async () => {
    const store = await mixed()
    const [{ rows, next }] = await facts('hour', ['2026-03-03 09:00'], store)
    const words = shellWords(next[0].replace('NUMBER', rows[0][0]))
    expect(words.slice(0, 3)).toEqual(['motepost', 'trace', '2'])
    const { out, code } = await ran(() => trace(Number(words[2]), { store, zone }))
    expect(code).toBe(0)
    expect(out).toContain('pm2_5 10.00')
  })

  it('says what kind of hour it is: full, sampled, or too short', async () => {
    const sampled = Array.from({ length: 60 }, (_, i) => i)
      .filter((i) => i % 15 < 3)
      .map((i) => minute(at(9) + i * 60_000, 10 + Math.floor(i / 15)))
    const [{ steps, figure }] = await facts('hour', ['2026-03-03 09:00'], await storeOf(sampled))
    expect(steps.join('\n')).toContain('a sampled hour, the mean of the four quarter-hours')
    expect(figure).toBe('11.50')
    const [short] = await facts('hour', ['2026-03-03 09:00'], await storeOf(minutes(at(9), 20, 10)))
    expect(short.steps.join('\n')).toContain('neither a full hour')
  })

  it('counts of a record that straddles its edge the part inside', async () => {
    const store = await storeOf([minute(at(9) - 30_000, 10), ...minutes(at(9) + 30_000, 59, 20)])
    const [{ rows, figure }] = await facts('hour', ['2026-03-03 09:00'], store)
    expect(rows[0].slice(2, 5)).toEqual(['60.0', '30.0', '30.0'])
    expect(figure).toBe(((30 * 10 + 59 * 60 * 20) / (30 + 59 * 60)).toFixed(2))
  })

  it('is explained for each unit where it was changed, or for the one that is named', async () => {
    const store = await storeOf([
      siteEntry(at(0), 'set-up', { place: 'gate', new_serial: 'A-1' }),
      ...minutes(at(9), 30, 10),
      siteEntry(at(9.5), 'swapped', { old_serial: 'A-1', new_serial: 'B-2' }),
      ...minutes(at(9.5), 30, 20),
    ])
    expect(await facts('hour', ['2026-03-03 09:00'], store)).toHaveLength(2)
    const [one, ...more] = await facts('hour', ['2026-03-03 09:00'], store, { unit: 'B-2' })
    expect(more).toEqual([])
    expect(one.rows).toHaveLength(30)
  })
})

describe('10 min explained', () => {
  it('are made of the records that lie in them', async () => {
    const store = await storeOf([...minutes(at(9), 5, 10), ...minutes(at(9) + 300_000, 15, 30)])
    const text = await averagesText(store, { zone, tenMinutes: true, detail: true })
    for (const { number, command } of explainLines(text))
      expect((await rerun(command)).figures.map(({ figure }) => figure)).toContain(number)
    const [{ rows, figure }] = await facts('ten-minutes', ['2026-03-03 09:00'], store)
    expect(figure).toBe('20.00')
    expect(rows).toHaveLength(10)
  })
})

describe('a day explained', () => {
  it('tells the rule of each limit from the hours to the verdict, with document and clause', async () => {
    const store = await storeOf(minutes(at(0), 20 * 60, 36.26))
    const [{ steps, facts: told }] = await facts('day', ['2026-03-03'], store, { limits: 'us-national' })
    const text = steps.join('\n')
    expect(text).toContain('20 of 24 hours count (20 full, 0 sampled); a 24-hour mean needs 18')
    expect(text).toContain('40 CFR 50.13 and 50.18, Appendix N, 3.0 and 4.5')
    expect(text).toContain('hours cut to 0.1; day cut to 0.1')
    expect(text).toContain(
      'cut to 0.1 before comparing: 36.2 against 35; true value expected from 18.10 to 54.30',
    )
    expect(text).toContain('too close to tell for a sensor not yet compared')
    expect(text).toContain('index 103')
    expect(told.verdicts).toHaveLength(2)
  })

  it('of few hours tells what the day is at least', async () => {
    const [{ steps }] = await facts('day', ['2026-03-03'], await storeOf(minutes(at(0), 12 * 60, 30)))
    expect(steps.join('\n')).toContain('with 0 in each of the 12 missing hours: 360.00 / 24 = 15.00')
  })
})

describe('a year, days and a span explained', () => {
  it('lead down to days and hours', async () => {
    const store = await storeOf(minutes(at(0), 2 * 1440, 40))
    const [year] = await facts('year', ['2026'], store, { limits: 'us-national' })
    expect(year.next[0]).toContain('explain day 2026-03-03')
    expect(year.steps.join('\n')).toContain('98th percentile: the day at the rank of table 1')
    const [days] = await facts('days', ['2026-03-03', '2026-03-04'], store)
    expect(days).toMatchObject({ figure: '40.00', facts: { valid_days: 2, days: 2 } })
    const [span] = await facts('span', ['2026-03-03 06:00', '2026-03-03 10:00'], store)
    expect(span.facts).toMatchObject({ mean: 40, peak: 40, hours: 4, hours_that_count: 4 })
    expect(span.next).toHaveLength(4)
  })
})

describe('a NowCast explained', () => {
  it('shows each hour with its factor, and the row of the index', async () => {
    const store = await storeOf([...minutes(at(0), 600, 20), ...minutes(at(10), 120, 40)])
    const [{ rows, steps, figure }] = await facts('nowcast', ['2026-03-03 11:00'], store, {
      limits: 'us-national',
    })
    expect(rows).toHaveLength(12)
    expect(rows[2]).toEqual(['2026-03-03 09:00', 'full', '20.00', '0.2500'])
    const weights = rows.reduce((sum, row) => sum + Number(row[3]), 0)
    const sum = rows.reduce((all, row) => all + Number(row[3]) * Number(row[2]), 0)
    expect(Number(figure)).toBeCloseTo(sum / weights, 1)
    expect(steps.join('\n')).toContain("US EPA, fact sheet 'PM NowCast'")
    expect(steps.join('\n')).toMatch(/index row: 9\.1 to 35\.4 µg\/m³ is 51 to 100/)
  })
})

describe('figures of an imported series', () => {
  it('are explained by its rows', async () => {
    const store = madeSeries('reference', [10, NaN, 30])
    const when = new Date(firstHour + 7_200_000).toISOString().slice(0, 16).replace('T', ' ')
    const out = await explained('hour', [when], { store, zone: '+00:00', json: true })
    const [{ rows, figure, next }] = (JSON.parse(out) as Explanation).figures
    expect(figure).toBe('30.00')
    expect(rows[0].slice(0, 2)).toEqual(['4', `${when}:00`])
    expect(next).toEqual([])
  })
})

describe('a figure that is not there', () => {
  const failed = async (figure: string, when: string[], more: object = {}) =>
    ran(async () => explain(figure, when, { store: await storeOf(minutes(at(0), 120, 5)), zone, ...more }))

  it('is refused in plain words', async () => {
    expect((await failed('week', ['2026-03-03'])).err).toContain(
      "'week' is no figure; there are ten-minutes, hour",
    )
    expect((await failed('day', ['2026-03-03 09:00'])).err).toContain('expected its time (a day')
    expect((await failed('span', ['2026-03-03'])).err).toContain('expected two times')
    expect((await failed('hour', ['2026-03-03 00:30'])).err).toContain('begin at full ones')
    expect((await failed('year', ['26'])).code).toBe(2)
  })

  it('ends with 1 where nothing was used then', async () => {
    expect(await failed('hour', ['2026-03-05 09:00'])).toMatchObject({ code: 1, out: '' })
    expect((await failed('hour', ['2026-03-03 00:00'], { unit: 'B-2' })).code).toBe(1)
    const empty = await ran(async () => explain('day', ['2026-03-03'], { store: await storeOf([]), zone }))
    expect(empty).toMatchObject({ code: 1, out: '' })
  })

  it('is not looked for in a folder without a store', async () => {
    expect((await ran(() => explain('day', ['2026-03-03'], { store: newFolder(), zone }))).code).toBe(2)
  })
})

describe('events between records', () => {
  it('are no rows of a figure', async () => {
    const store = await storeOf([
      ...minutes(midnight, 30, 5),
      event(at(0.5), 'started', {}),
      ...minutes(at(0.5), 30, 5),
    ])
    const [{ rows }] = await facts('hour', ['2026-03-03 00:00'], store)
    expect(rows).toHaveLength(60)
    expect((await averagesJson(store, { zone })).series[0].periods).toHaveLength(1)
  })
})
