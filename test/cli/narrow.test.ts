/** A person reads at 80 columns, in a terminal, a pager and a file. */
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { averages } from '../../agent/cli/averages.js'
import { episodes } from '../../agent/cli/episodes.js'
import { explain } from '../../agent/cli/explain.js'
import { at, minutes, ran, removeFolders, siteEntry, storeOf } from './desk-rig.js'

afterAll(removeFolders)

let store = ''
beforeAll(async () => {
  store = await storeOf([
    siteEntry(at(0), 'set-up', {
      place: 'school at the corner of the quarry road',
      new_serial: 'A-12345-678',
    }),
    ...minutes(at(0), 20 * 60, 36.26),
    ...minutes(at(24), 13 * 60, 36.26, { max: 600 }),
    ...minutes(at(48), 6 * 60, 160),
    ...minutes(at(72), 24 * 60, 16, { marked: { humid: 60 } }),
  ])
})

const limits = 'us-national'
const works: readonly [string, () => Promise<number>][] = [
  ['averages', () => averages({ store, limits, years: true, detail: true, zone: '+01:00' })],
  ['averages --ten-minutes', () => averages({ store, tenMinutes: true, detail: true, zone: '+01:00' })],
  ['episodes', () => episodes({ store, above: '30', detail: true, zone: '+01:00' })],
  ...[
    ['hour', '2026-03-06 03:00'],
    ['ten-minutes', '2026-03-05 03:00'],
    ['rolling24', '2026-03-06 03:00'],
    ['nowcast', '2026-03-05 03:00'],
    ['day', '2026-03-05'],
    ['days', '2026-03-03', '2026-03-05'],
    ['span', '2026-03-03', '2026-03-05'],
    ['year', '2026'],
  ].map(([figure, ...when]): [string, () => Promise<number>] => [
    `explain ${figure}`,
    () => explain(figure, when, { store, limits, zone: '+01:00' }),
  ]),
]

/** But commands, which are copied as they stand. */
const widest = (text: string): number =>
  Math.max(
    ...text
      .split('\n')
      .filter((line) => !line.includes('motepost '))
      .map((line) => line.length),
  )

describe('what the desk prints', () => {
  it.each(works)('of %s fits in 80 columns where nobody says how wide the lines may be', async (_, work) => {
    const { out, code } = await ran(work, '')
    expect(code).toBe(0)
    expect(widest(out)).toBeLessThan(80)
  })

  it('is as wide as COLUMNS says, so that a row can be a line', async () => {
    const day = () => averages({ store, limits, zone: '+01:00', from: '2026-03-05', to: '2026-03-05' })
    const { out } = await ran(day, '200')
    expect(out).toMatch(
      /^2026-03-05 {2}6 of 24 h: counts, .*; too close to tell for a sensor not yet compared$/m,
    )
    expect(widest(out)).toBeLessThan(200)
    expect(widest((await ran(day, '100')).out)).toBeGreaterThan(80)
  })
})
