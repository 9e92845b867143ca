import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { stationsRegister } from '../../agent/cli/stations-register.js'
import { ran } from './desk-rig.js'
import { archiveFolder, endAll } from './stations-rig.js'

afterEach(endAll)

const fileIn = (archive: string): string => join(archive, 'register.yaml')

function registered(text: string): string {
  const archive = archiveFolder()
  writeFileSync(fileIn(archive), text)
  return archive
}

const harbour = `# kept by the two of us
stations:
  - station: harbour # by the crane
    name: Harbour wall
    latitude: 12.345678
    longitude: -76.98765
    height_m: 3.5
    sources:
      - { name: quarry, bearing: 120, distance_m: 400 }
    deployments:
      - { place: harbour wall, from: 2026-03-01 }
    notes: [key with the harbour master]
    photos: [wall-1.jpg]
`

const out = (days: string): string =>
  `stations:\n  - station: gate\n    deployments:\n      - { place: by the wall, ${days} }\n`
const alsoOut = '      - { place: the bridge, from: 2026-04-02 }\n'

describe('stations register', () => {
  it('shows a station with its place rounded for others', async () => {
    const archive = registered(harbour)
    const { code, out } = await ran(() => stationsRegister('harbour', { archive }))
    expect(code).toBe(0)
    expect(out).toContain('12.35 N, -76.99 E (rounded)')
    expect(out).not.toContain('12.345')
    expect(out).toContain('quarry, towards 120 deg, 400 m away')
    expect(out).toContain('harbour wall, since 2026-03-01')
    const json = await ran(() => stationsRegister(undefined, { archive, json: true }))
    expect(JSON.parse(json.out)).toMatchObject({ stations: [{ latitude: 12.35, longitude: -76.99 }] })
    const exact = await ran(() => stationsRegister('harbour', { archive, exact: true }))
    expect(exact.out).toContain('12.345678 N, -76.98765 E')
  })

  it('notes a new station in a new file', async () => {
    const archive = archiveFolder()
    const noted = await ran(() =>
      stationsRegister('gate', {
        archive,
        name: 'Gate',
        height: '2.5',
        source: ['lime kiln=45', 'road=270,30'],
        deployed: 'by the gate from 2026-04-02',
        note: ['a dog'],
      }),
    )
    expect([noted.code, noted.err]).toEqual([0, ''])
    expect(noted.out).toContain('lime kiln, towards 45 deg')
    expect(noted.out).toContain('road, towards 270 deg, 30 m away')
    expect(noted.out).toContain('by the gate, since 2026-04-02')
  })

  it('adds to a file without losing what a person wrote beside', async () => {
    const archive = registered(harbour)
    const noted = await ran(() =>
      stationsRegister('harbour', {
        archive,
        photo: ['wall-2.jpg'],
        removed: '2026-05-01',
        name: 'Old wall',
      }),
    )
    expect([noted.code, noted.err]).toEqual([0, ''])
    const text = readFileSync(fileIn(archive), 'utf8')
    expect(text).toContain('# kept by the two of us')
    expect(text).toContain('# by the crane')
    expect(noted.out).toContain('harbour (Old wall)')
    expect(noted.out).toContain('harbour wall, 2026-03-01 to 2026-05-01')
    expect(noted.out).toContain('wall-1.jpg, wall-2.jpg')
  })

  it.each([
    ['a key nobody knows', 'stations:\n  - station: gate\n    hieght_m: 2\n', /:3:5 stations\[0\]\.hieght_m/],
    ['a height of a mountain', 'stations:\n  - station: gate\n    height_m: 3000\n', /:3:15 .*height_m/],
    ['a name that leads elsewhere', 'stations:\n  - station: ../gate\n', /:2:14 stations\[0\]\.station/],
    ['a station twice', 'stations:\n  - station: gate\n  - station: gate\n', /:3:14 .*twice/],
    ['an alias', 'stations: &a\n  - station: gate\nb: *a\n', /anchors/],
    ['no list', 'stations: 5\n', /:1:11 stations/],
    ['a day that there is not', out('from: 2026-02-29'), /:4:37 .*\.from: "2026-02-29" is no day/],
    ['a last day that there is not', out('from: 2026-02-01, to: 2026-13-01'), /:4:53 .*\.to: .*no day/],
    [
      'a last day before the first',
      out('from: 2026-02-02, to: 2026-02-01'),
      /:4:53 .*\.to: .*before the first/,
    ],
    ['two places at once', `${out('from: 2026-01-01')}${alsoOut}`, /:5:36 .*\[1\]\.from: .*still stands/],
    ['half a line', 'stations:\n  - station: "gate\n', /quote/],
  ])('refuses with file, line and key: %s', async (_, text, expected) => {
    const archive = registered(text)
    const { code, err } = await ran(() => stationsRegister(undefined, { archive }))
    expect(code).toBe(2)
    expect(err).toContain(fileIn(archive))
    expect(err).toMatch(expected)
    // And nothing is written over it.
    expect((await ran(() => stationsRegister('gate', { archive, name: 'Gate' }))).code).toBe(2)
    expect(readFileSync(fileIn(archive), 'utf8')).toBe(text)
  })

  it.each([
    ['--latitude', { latitude: '95' }],
    ['--longitude', { longitude: '-181' }],
    ['--height', { height: '2,5' }],
    ['--height', { height: '900' }],
    ['--source', { source: ['quarry'] }],
    ['--source', { source: ['quarry=361'] }],
    ['--deployed', { deployed: 'the wall' }],
    ['--deployed', { deployed: 'the wall from 2026-13-01' }],
    ['--removed', { removed: '2026-05-01' }],
    ['--name', { name: 'a\nb' }],
    ['--note', { note: ['a\nb'] }],
  ])('notes nothing where a value cannot be, and names the option: %s', async (option, options) => {
    const archive = archiveFolder()
    const { code, err } = await ran(() => stationsRegister('gate', { archive, ...options }))
    expect([code, existsSync(fileIn(archive))]).toEqual([2, false])
    expect(err).toContain(option)
    expect(err).not.toMatch(/what was to be noted|:\d+:\d+|stations\[/)
  })

  it.each([
    [
      'a last day that there is not',
      { removed: '2026-02-31' },
      /^--removed: "2026-02-31" is no day .*; write a day/,
    ],
    ['no day', { removed: 'tomorrow' }, /^--removed: .*2026-03-01/],
    [
      'a last day before the first',
      { removed: '1999-01-01' },
      /^--removed: .*2026-03-01; write 2026-03-01 or/,
    ],
    [
      'a second place',
      { deployed: 'the bridge from 2026-06-01' },
      /^--deployed: .*"harbour wall".*--removed DAY/,
    ],
  ])('refuses, of a station that is out, %s', async (_, options, expected) => {
    const archive = registered(harbour)
    const { code, err } = await ran(() => stationsRegister('harbour', { archive, ...options }))
    expect([code, readFileSync(fileIn(archive), 'utf8')]).toEqual([2, harbour])
    expect(err).toMatch(expected)
  })

  it('ends one deployment and begins the next in one command, and refuses to end an ended one', async () => {
    const archive = registered(harbour)
    const move = { removed: '2026-05-01', deployed: 'the bridge from 2026-05-01' }
    const moved = await ran(() => stationsRegister('harbour', { archive, ...move }))
    expect(moved.out).toContain('harbour wall, 2026-03-01 to 2026-05-01')
    expect(moved.out).toContain('the bridge, since 2026-05-01')
    const end = () => ran(() => stationsRegister('harbour', { archive, removed: '2026-06-01' }))
    expect((await end()).code).toBe(0)
    const again = await end()
    expect([again.code, again.err]).toEqual([2, expect.stringContaining('no deployment stands open')])
  })

  it('says that nothing is known of a station', async () => {
    const { code, err } = await ran(() => stationsRegister('gate', { archive: archiveFolder() }))
    expect([code, err]).toEqual([1, expect.stringContaining("nothing of 'gate'")])
  })
})
