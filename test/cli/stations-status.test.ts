import { chmodSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { readCollectorStatus } from '../../agent/cli/stations-status-shape.js'
import { alerts } from '../../agent/cli/alerts.js'
import { stationsText } from '../../agent/cli/stations-status-words.js'
import { stationsStatus } from '../../agent/cli/stations-status.js'
import { ran } from './desk-rig.js'
import { answering, archiveFolder, endAll, left, madeStatus } from './stations-rig.js'

afterEach(endAll)

const status = () => readCollectorStatus(madeStatus())!

/** As a user to whom the archive may be read, but whose the socket is not. */
async function asAnother<T>(archive: string, work: () => Promise<T>): Promise<T> {
  chmodSync(archive, 0o755)
  chmodSync(join(archive, '.control.sock'), 0o000)
  const isRoot = process.geteuid!() === 0
  if (isRoot) process.seteuid!(65_534)
  try {
    return await work()
  } finally {
    if (isRoot) process.seteuid!(0)
  }
}

describe('stations status', () => {
  it('shows the worst first, each state by its word and by a shape of its own', async () => {
    const archive = await answering(madeStatus())
    const { code, out } = await ran(() => stationsStatus({ archive }), '80')
    expect(code).toBe(1)
    const rows = out.split('\n').filter((line) => /^[▲○◇◐●] {2}/.test(line))
    expect(rows.map((row) => row.split(/ {2,}/).slice(0, 3).join(' '))).toEqual([
      '○ north-fence silent',
      '▲ harbour trouble',
      '◇ quarry suspect',
      '◐ school late',
      '● gate well',
    ])
    expect(out).toMatch(
      /▲ harbour: trouble\n {4}the sensor port went away \(for 95 min\)\. First: check plug/,
    )
    expect(out).toContain('Packs refused: 2 too-deep, 1 wrong-topic.')
    expect(out).toContain('Other messages refused: 4 wrong-name.')
    // What stands in a topic is somebody's word, and moves no cursor.
    expect(out).toContain(
      'Refused lately: oakfield/mallory/lines (too-deep), oakfield/<b>  x/health\n  (wrong-name).',
    )
    expect(out).toMatch(/▲ {2}harbour .* {2}3 d ahead\n/)
  })

  it.each([80, 120])('keeps every line within %i columns', (columns) => {
    const lines = stationsText(status(), { now: Date.now(), width: columns - 1 })
    expect(Math.max(...lines.map((line) => line.length))).toBeLessThan(columns)
  })

  it('leaves columns out at the right before it cuts a name', () => {
    const long = 'north-fence-by-the-long-lake-x32'
    const [gate] = status().stations
    const lines = (width: number) =>
      stationsText(
        { stations: [{ ...gate, station: long }], refusedLately: [], faults: [] },
        { now: Date.now(), width },
      )
    expect(lines(79).some((line) => line.includes(`${long}  well`))).toBe(true)
    expect(Math.max(...lines(79).map((line) => line.length))).toBeLessThan(80)
    expect(lines(79).join('\n')).not.toContain('clock')
    expect(lines(119).join('\n')).toContain('clock')
  })

  it('has room for what people call a station on a wide screen, and says it with the reasons on any', async () => {
    const archive = await answering(madeStatus())
    writeFileSync(join(archive, 'register.yaml'), 'stations:\n  - station: harbour\n    name: Harbour wall\n')
    const wide = await ran(() => stationsStatus({ archive }), '120')
    expect(wide.out).toMatch(/▲ {2}harbour .*Harbour wall/)
    const narrow = await ran(() => stationsStatus({ archive }), '80')
    expect(narrow.out).toMatch(/▲ harbour \(Harbour wall\): trouble/)
  })

  it('says what is wrong with the collector itself', async () => {
    const fault = { code: 'disk-full', detail: 'x', words: 'the disk is full', first_thing: 'make room' }
    const archive = await answering({ ...madeStatus(), stations: [], faults: [fault] })
    const { code, out } = await ran(() => stationsStatus({ archive }))
    expect([code, out]).toEqual([1, expect.stringContaining('The collector itself:\n    the disk is full.')])
  })

  it('ends with 0 where all are well', async () => {
    const [well] = madeStatus().stations
    const archive = await answering({ ...madeStatus(), stations: [well] })
    expect((await ran(() => stationsStatus({ archive }))).code).toBe(0)
  })

  it('tells the same as JSON, with a null for what nobody knows', async () => {
    const archive = await answering(madeStatus())
    const { code, out } = await ran(() => stationsStatus({ archive, json: true }))
    const told = JSON.parse(out) as { stations: Record<string, unknown>[]; collector_runs: boolean }
    expect([code, told.collector_runs]).toEqual([1, true])
    expect(told.stations[1]).toMatchObject({
      station: 'harbour',
      state: 'trouble',
      shape: '▲',
      clock_error_s: 3.25,
      clock_offset_s: 259_200,
      budget_percent: 80,
      refused: { 'wrong-name': 4 },
      backlog_lines: null,
      reasons: [{ code: 'port-gone', first_thing: 'check plug, cable and supply of the adapter' }],
    })
  })

  it('shows one station of many, and says which there are where a name is wrong', async () => {
    const archive = await answering(madeStatus())
    const one = await ran(() => stationsStatus({ archive, station: ['gate'] }))
    expect([one.code, one.out.includes('harbour')]).toEqual([0, false])
    const wrong = await ran(() => stationsStatus({ archive, station: ['gaet'] }))
    expect([wrong.code, wrong.err]).toEqual([2, expect.stringContaining("no station 'gaet' was heard")])
  })

  it('tells how things stood where no collector answers any more, and that nobody looks now', async () => {
    const archive = left(JSON.stringify({ ...madeStatus(), stations: [madeStatus().stations[0]] }))
    const { code, out } = await ran(() => stationsStatus({ archive }))
    expect(code).toBe(1)
    expect(out).toContain('No collector answers at this archive')
    const json = await ran(() => stationsStatus({ archive, json: true }))
    expect(JSON.parse(json.out)).toMatchObject({ collector_runs: false })
  })

  it('caps the list of names where a name is wrong, and folds it', async () => {
    const [well] = madeStatus().stations
    const names = Array.from({ length: 40 }, (_, i) => `fence-by-the-lake-${String(i).padStart(2, '0')}`)
    const stations = names.map((name) => ({ ...well, station: name }))
    const archive = await answering({ ...madeStatus(), stations })
    const { code, err } = await ran(() => stationsStatus({ archive, station: ['nix'] }), '80')
    expect(code).toBe(2)
    expect(err).toContain(names[9])
    expect(err).not.toContain(names[10])
    expect(err).toContain('and 30 more')
    expect(Math.max(...err.split('\n').map((line) => line.length))).toBeLessThan(80)
  })

  it('says to another user that a collector may run, who may ask it, and how things stood', async () => {
    const archive = await answering(madeStatus(), left(JSON.stringify(madeStatus())))
    const told = await asAnother(archive, () => ran(() => stationsStatus({ archive }), '80'))
    const words = told.out.replace(/\s+/g, ' ')
    expect(told.code).toBe(1)
    expect(words).toContain('A collector may run at this archive, but this user may not open its socket')
    expect(words).toMatch(/only the user \S+ may\. Ask as that user: sudo -u \S+ motepost/)
    expect(words).toContain('harbour')
    expect(words).not.toMatch(/No collector answers|Start motepost/)
    const json = await asAnother(archive, () => ran(() => stationsStatus({ archive, json: true })))
    expect(JSON.parse(json.out)).toMatchObject({ collector_runs: null })
  })

  it.each([
    ['stations status', (archive: string) => stationsStatus({ archive })],
    ['alerts --archive', (archive: string) => alerts({ settings: '', archive })],
  ])('speaks of a collector, not of a station, where none can be asked: %s', async (_, command) => {
    const archive = archiveFolder()
    const none = await ran(() => command(archive), '80')
    const noneWords = `${none.out}${none.err}`.replace(/\s+/g, ' ')
    expect(none.code).toBe(1)
    expect(noneWords).toContain('Start motepost collect, or look why its service ended')
    await answering(madeStatus(), archive)
    const denied = await asAnother(archive, () => ran(() => command(archive), '80'))
    const deniedWords = `${denied.out}${denied.err}`.replace(/\s+/g, ' ')
    expect(deniedWords).toContain('this user may not open its socket')
    for (const words of [noneWords, deniedWords]) expect(words).not.toMatch(/agent|settings|group_access/)
  })

  it.each([
    ['nothing at all', undefined],
    ['half of a file', '{"v":1,"stations":[{"stat'],
    ['another file', '{"v":1,"lines":[1,2]}'],
  ])('says that nobody can tell: %s', async (_, text) => {
    const archive = text === undefined ? archiveFolder() : left(text)
    const { code, err } = await ran(() => stationsStatus({ archive }))
    expect([code, err]).toEqual([1, expect.stringContaining('No collector answers')])
  })
})

describe('the status of a collector', () => {
  it('tells of a database only when lines wait for it longer than usual', () => {
    const words = (state: string, behind_s: number): string => {
      const read = readCollectorStatus({ ...madeStatus(), postgres: { state, stores_waiting: 2, behind_s } })!
      return stationsText(read, { now: Date.now(), width: 120 }).join('\n')
    }
    expect(words('following', 0)).not.toContain('PostgreSQL')
    expect(words('catching-up', 5)).not.toContain('PostgreSQL')
    expect(words('waiting', 900)).toContain('PostgreSQL: waiting; lines of 2 stores wait, for up to 15 min.')
  })

  it('is read without what is wrong in it, and no text of it moves the cursor', () => {
    const [gate] = madeStatus().stations
    const read = readCollectorStatus({
      at: 'yesterday',
      group: '../etc',
      stations: [
        { ...gate, capture_percent: '99', clock_error_s: Infinity, software: '\x1b[2J1.0', stores: [7, 'x'] },
        { ...gate, station: '../gate' },
        { ...gate, state: 'splendid' },
        null,
        'gate',
      ],
    })
    expect(read!.stations).toHaveLength(1)
    expect(read).not.toHaveProperty('at')
    expect(read).not.toHaveProperty('group')
    expect(read!.stations[0]).toMatchObject({ station: 'gate', software: ' [2J1.0', stores: ['x'] })
    expect(read!.stations[0]).not.toHaveProperty('capturePercent')
    expect(read!.stations[0]).not.toHaveProperty('clockErrorSeconds')
  })

  it.each([[null], [1], ['x'], [[]], [{}], [{ stations: {} }]])('is none of %j', (value) => {
    expect(readCollectorStatus(value)).toBeUndefined()
  })
})
