/** Whom a collector waits for, by its folders and its register. */
import { mkdirSync, mkdtempSync, rmSync, utimesSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, expect, it } from 'vitest'
import { rollOf } from '../../agent/cli/roll.js'
import { utcMillis } from '../../agent/terms/terms.js'

const root = mkdtempSync(join(tmpdir(), 'motepost-roll-'))
afterAll(() => rmSync(root, { recursive: true }))

const now = Date.UTC(2026, 2, 20, 23, 30)
const day = 86_400_000
const utc = utcMillis(now)

let folders = 0
function archiveOf(ages: Readonly<Record<string, number>>): string {
  const archive = join(root, String(folders++))
  for (const [station, days] of Object.entries(ages)) {
    const store = join(archive, station, 'a-store')
    mkdirSync(store, { recursive: true })
    for (const [i, name] of [
      'lines-000000000000-000000008191.csv',
      'lines-000000008192-000000016383.csv',
    ].entries()) {
      writeFileSync(join(store, name), '')
      const changed = new Date(now - (days + (i === 0 ? 100 : 0)) * day)
      utimesSync(join(store, name), changed, changed)
    }
  }
  mkdirSync(join(archive, '.spool', 'x'), { recursive: true })
  return archive
}

const register = (archive: string, deployments: Readonly<Record<string, string>>): void => {
  const stations = Object.entries(deployments).map(
    ([station, list]) => `  - { station: ${station}, deployments: [${list}] }\n`,
  )
  writeFileSync(join(archive, 'register.yaml'), `stations:\n${stations.join('')}`)
}

it('are those whose lines came lately, those that people were told of, and those with an open deployment', () => {
  const archive = archiveOf({ gate: 1, mill: 13, weir: 15 })
  mkdirSync(join(archive, 'lane'))
  register(archive, {
    roof: '{ place: roof, from: 2026-03-20 }',
    yard: '{ place: yard, from: 2026-03-22 }',
    mill: '{ place: mill, from: 2026-01-01, to: 2026-03-19 }',
    barn: '{ place: a, from: 2026-01-01, to: 2026-02-01 }, { place: b, from: 2026-03-01 }',
    hill: '{ place: hill, from: 2026-01-01, to: 2026-03-21 }',
    note: '',
  })
  const roll = rollOf(archive, 0, now)
  roll.alsoTold(['pond', 'mill'])
  expect(roll.at(utc)).toEqual({ expected: ['roof', 'barn', 'gate', 'pond'], retired: new Set(['mill']) })
  // By the day of the people, half an hour before midnight of UTC; without a clock nobody is known to be gone.
  expect(rollOf(archive, 60, now).at(utc).retired).toEqual(new Set(['mill', 'hill']))
  expect(roll.at(undefined)).toEqual({ expected: ['gate', 'mill', 'pond', 'mill'], retired: new Set() })
})

it('change with the register, and stay where that is broken', () => {
  const archive = archiveOf({})
  const roll = rollOf(archive, 0, now)
  expect(roll.at(utc).expected).toEqual([])
  register(archive, { roof: '{ place: roof, from: 2026-03-01 }' })
  expect(roll.at(utc).expected).toEqual(['roof'])
  writeFileSync(join(archive, 'register.yaml'), 'stations: [')
  utimesSync(join(archive, 'register.yaml'), 1, 1)
  expect(roll.at(utc).expected).toEqual(['roof'])
  rmSync(archive, { recursive: true })
  expect(roll.at(utc).retired.size).toBe(0)
})
