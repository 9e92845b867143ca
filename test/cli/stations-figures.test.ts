import { cpSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { stationsAverages, stationsExport } from '../../agent/cli/stations-figures.js'
import { stationsExplain } from '../../agent/cli/stations-explain.js'
import { explain } from '../../agent/cli/explain.js'
import { exportData } from '../../agent/cli/export.js'
import { at, minutes, newFolder, ran, removeFolders } from './desk-rig.js'
import { archiveOfTwo, put, zoneLine } from './stations-rig.js'

afterEach(removeFolders)

const rowsOf = (csv: string): string[][] =>
  csv
    .trimEnd()
    .split('\r\n')
    .map((row) => row.split(/,(?=(?:[^"]*"[^"]*")*[^"]*$)/))

describe('stations export', () => {
  it.each(['minutes', 'hours', 'days'])('writes one CSV of several stations: %s', async (of) => {
    const archive = await archiveOfTwo()
    const { code, out, err } = await ran(() => stationsExport(['gate', 'harbour'], { archive, of }))
    expect([code, err]).toEqual([0, ''])
    const [head, ...rows] = rowsOf(out)
    expect(head.slice(0, 2)).toEqual(['station', 'store'])
    expect(rows.every((row) => row.length === head.length)).toBe(true)
    const counts = { minutes: [120, 60], hours: [2, 2], days: [1, 2] }[of]!
    expect(rows.filter(([station]) => station === 'gate')).toHaveLength(counts[0])
    expect(rows.filter(([station]) => station === 'harbour')).toHaveLength(counts[1])
  })

  it('has of one station the rows of export, behind station and store', async () => {
    const archive = await archiveOfTwo()
    for (const of of ['minutes', 'hours', 'days']) {
      const ours = await ran(() => stationsExport(['gate'], { archive, of }))
      const single = await ran(() => exportData({ store: archive, storeId: 'gate', of }))
      expect(rowsOf(ours.out).map((row) => row.slice(2))).toEqual(rowsOf(single.out))
    }
  })

  it('keeps to the span that is asked for, and puts values of all stations under their own heads', async () => {
    const archive = await archiveOfTwo()
    const { out } = await ran(() =>
      stationsExport(['harbour', 'gate'], { archive, of: 'minutes', to: '2026-03-03 00:01' }),
    )
    const [head, ...rows] = rowsOf(out)
    expect(rows.map(([station]) => station)).toEqual(['harbour', 'gate'])
    const of = (name: string) =>
      rows.map((row) => row[head.findIndex((one) => one.replace('"', '').startsWith(name))])
    expect(of('pm2_5.1 mean')).toEqual(['4.00', ''])
    expect(of('pm2_5 mean')).toEqual(['', '8.00'])
  })

  it.each([
    ['a station that is not there', ['gaet'], {}, /no station 'gaet'; there are gate, harbour/],
    ['a wrong word', ['gate'], { of: 'weeks' }, /--of weeks/],
    ['a wrong channel', ['gate'], { of: 'minutes', channel: ['pm4'] }, /--channel pm4/],
    ['a wrong time', ['gate'], { of: 'minutes', from: 'noon' }, /--from noon/],
  ])('says what is wrong: %s', async (_, names, options, words) => {
    const archive = await archiveOfTwo()
    const { code, err, out } = await ran(() => stationsExport(names, { archive, ...options }))
    expect([code, out]).toEqual([2, ''])
    expect(err).toMatch(words)
  })

  it('takes all stores of a station: a new card is a new store', async () => {
    const archive = await archiveOfTwo()
    const copied = newFolder()
    cpSync(archive, copied, { recursive: true })
    await put(join(copied, 'second-card'), 'gate', [zoneLine, ...minutes(at(5), 60, 9)])
    const { out } = await ran(() => stationsExport(['gate'], { archive: copied, of: 'hours' }))
    expect(rowsOf(out).slice(1)).toHaveLength(3)
  })
})

describe('stations averages', () => {
  it('tells the stores of the named stations one after the other, as JSON a line each', async () => {
    const archive = await archiveOfTwo()
    const { code, out } = await ran(() => stationsAverages(['harbour', 'gate'], { archive, json: true }))
    expect(code).toBe(0)
    const told = out
      .trimEnd()
      .split('\n')
      .map((line) => JSON.parse(line) as { station: string })
    expect(told.map(({ station }) => station)).toEqual(['harbour', 'gate'])
    const wrong = await ran(() => stationsAverages(['quarry'], { archive }))
    expect([wrong.code, wrong.err]).toEqual([2, expect.stringContaining("no station 'quarry'")])
  })
})

describe('stations explain', () => {
  const hour = ['2026-03-03 01:00']

  it('says of a station of the archive what explain says of its store', async () => {
    const archive = await archiveOfTwo()
    for (const json of [false, true]) {
      const ours = await ran(() => stationsExplain('gate', 'hour', hour, { archive, json }))
      const single = await ran(() => explain('hour', hour, { store: join(archive, 'gate'), json }))
      const one = (text: string): string => text.replaceAll(/--store \S+|"--store [^"]*/g, '')
      expect([ours.code, one(ours.out)]).toEqual([0, one(single.out)])
      expect(ours.out).toContain('8.00')
    }
  })

  it('finds the figure in whichever store of the station it lies', async () => {
    const archive = await archiveOfTwo()
    await put(join(archive, 'second-card'), 'gate', [zoneLine, ...minutes(at(5), 60, 9)])
    const { code, out } = await ran(() =>
      stationsExplain('gate', 'hour', ['2026-03-03 05:00'], { archive, channel: 'pm2_5' }),
    )
    expect([code, out]).toEqual([0, expect.stringContaining(': 9.00')])
  })

  it.each([
    ['a station that is not there', 'gaet', 'hour', hour, 2, /no station 'gaet'/],
    ['a figure that is none', 'gate', 'week', hour, 2, /'week' is none of/],
    ['a word of the language', 'gate', 'toString', hour, 2, /'toString' is none of/],
    ['a time that is none', 'gate', 'day', ['noon'], 2, /explain day/],
    ['an hour without a record', 'gate', 'hour', ['2026-03-05 01:00'], 1, /no such figure/],
  ])('says what is wrong: %s', async (_, station, figure, when, code, words) => {
    const archive = await archiveOfTwo()
    const told = await ran(() => stationsExplain(station, figure, when, { archive }))
    expect([told.code, told.out]).toEqual([code, ''])
    expect(told.err).toMatch(words)
  })
})
