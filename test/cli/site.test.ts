import { spawn, spawnSync } from 'node:child_process'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { onScreen } from '../../agent/cli/watch-screen.js'
import { localText, readLocalTime, type Place } from '../../agent/cli/local-time.js'
import type { StationStatus } from '../../agent/station/station.js'
import { utcMillis } from '../../agent/terms/terms.js'
import { ended, started } from '../support/agents.js'

/** Each command is a process of its own; a busy machine takes its time over a dozen of them. */
vi.setConfig({ testTimeout: 90_000 })

/** The commands at the station, as a person runs them: against a running agent, and where none runs. */
const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const folder = mkdtempSync(join(tmpdir(), 'motepost-site-'))
afterAll(() => rmSync(folder, { recursive: true }))

function motepost(...args: string[]): { code: number | null; out: string; err: string } {
  const ran = spawnSync(process.execPath, [program, ...args], { encoding: 'utf8', timeout: 60_000 })
  return { code: ran.status, out: ran.stdout, err: ran.stderr }
}

let count = 0
function station(extra = ''): { file: string; data: string } {
  const name = `s${count++}`
  const file = join(folder, `${name}.yaml`)
  const data = join(folder, name)
  const text = `version: 1
station: { name: gate, time_zone: Etc/GMT-1 }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data} }
clock: { trust: system }
site: { inlet_height_m: 2.5 }
${extra}`
  writeFileSync(file, text)
  return { file, data }
}

const json = <T>(...args: string[]): T => JSON.parse(motepost(...args, '--json').out) as T

describe('status', () => {
  it('says in plain words why there is nothing to show, and ends with 1', async () => {
    const { file, data } = station()
    const never = motepost('status', '-s', file)
    expect(never.code).toBe(1)
    expect(never.out).toContain('no agent runs')
    expect(never.out).toContain('was never made')
    const agent = await started(file)
    await ended(agent, 'SIGKILL')
    expect(existsSync(join(data, '.control.sock'))).toBe(true)
    const killed = motepost('status', '-s', file)
    expect(killed.code).toBe(1)
    expect(killed.out).toContain('killed')
    expect(json('status', '-s', file)).toMatchObject({ ok: false, fault: { code: 'agent-not-running' } })
    expect(motepost('status', '-s', join(folder, 'nothing.yaml')).code).toBe(2)
  })

  it('shows the running station with its faults and what to do, and watch ends cleanly', async () => {
    const { file } = station()
    await started(file)
    const shown = motepost('status', '-s', file)
    expect(shown.code).toBe(0)
    expect(shown.out).toContain('the sensor port does not exist')
    expect(shown.out).toContain('What to do: ')
    expect(shown.out).toContain('none is set')
    expect(shown.out).toContain('nearest road')
    expect(shown.out.split('\n').every((line) => line.length < 80)).toBe(true)
    const { status } = json<{ status: StationStatus }>('status', '-s', file)
    expect(status).toMatchObject({ v: 1, station: 'gate', link: { state: 'none' } })
    const watch = spawn(process.execPath, [program, 'status', '--watch', '--every', '0.2', '-s', file])
    let text = ''
    await new Promise<void>((resolve) =>
      watch.stdout.on('data', (bytes: Buffer) => {
        text += bytes.toString()
        if (text.split('gate (home)').length > 2) resolve()
      }),
    )
    expect(await ended(watch, 'SIGINT')).toBe(0)
    // In a pipe there is nothing to move a cursor on.
    expect(text).not.toContain('\x1b')
  })

  it('is cut to the window with a word about it, and written over in place', () => {
    const screen = onScreen(['a', 'b', 'c', 'd'], 4, 10)
    expect(screen.startsWith('\x1b[H')).toBe(true)
    expect(screen).toContain('2 more lines'.slice(0, 6))
    expect(screen.split('\n')).toHaveLength(4)
  })
})

describe('visit and sitelog', () => {
  it('go through the running agent, and straight into the store when none runs', async () => {
    const { file } = station()
    const first = motepost('sitelog', 'add', 'set-up', '--place', 'gate post', '--who', 'KL', '-s', file)
    expect(first.err).toBe('')
    expect(first).toMatchObject({ code: 0 })
    expect(first.out).toContain('no agent runs')
    const agent = await started(file)
    const begun = motepost('visit', 'start', '--who', 'KL', '-s', file)
    expect(begun).toMatchObject({ code: 0, err: '' })
    expect(begun.out).toContain('safe on the disk')
    const { status } = json<{ status: StationStatus }>('status', '-s', file)
    expect(status.site).toMatchObject({ place: 'gate post', visit: 'open' })
    const swapped = ['sitelog', 'add', 'swapped', '--old-serial', '00417', '--new-serial', '00533']
    const { number } = json<{ number: number }>(...swapped, '-s', file)
    motepost(
      'sitelog',
      'add',
      'correction',
      '--corrects',
      String(number),
      '--new-serial',
      '00534',
      '-s',
      file,
    )
    const listed = motepost('sitelog', 'list', '-s', file)
    for (const words of [
      '00417',
      '00534',
      'corrected by',
      'gate post',
      'inlet height: 2.5 m',
      'not recorded',
    ])
      expect(listed.out).toContain(words)
    expect(await ended(agent, 'SIGTERM')).toBe(0)
    expect(motepost('visit', 'end', '-s', file)).toMatchObject({ code: 0 })
    type Listed = { entries: { as_written: { kind: string } }[] }
    const { entries } = json<Listed>('sitelog', 'list', '-s', file)
    expect(entries.map((entry) => entry.as_written.kind)).toEqual([
      'set-up',
      'visit-start',
      'swapped',
      'correction',
      'visit-end',
    ])
  })

  it('name everything that is wrong at once, end with 2 and write nothing', async () => {
    const { file } = station()
    const wrong = ['sitelog', 'add', 'excluded', '--from', 'soon', '--slot', '9', '-s', file]
    for (const agent of [undefined, await started(file)]) {
      const { code, err } = motepost(...wrong)
      expect(code, String(agent?.pid)).toBe(2)
      for (const key of ['from: ', 'slot: ', 'to: ', 'name: ', 'reason: ']) expect(err).toContain(key)
    }
    expect(json('sitelog', 'list', '-s', file)).toMatchObject({ entries: [] })
  })
})

describe('the control socket of an agent', () => {
  it('refuses a second agent that would answer at the same place, whatever its data folder', async () => {
    const runtime = `runtime: { folder: ${join(folder, 'run')}, group_access: true }`
    const one = station(runtime)
    const two = station(runtime)
    await started(one.file)
    const refused = motepost('run', '-s', two.file)
    expect(refused.code).toBe(1)
    expect(refused.err).toContain('another agent')
    expect(motepost('status', '-s', one.file).code).toBe(0)
  })

  it('does not stop a station that cannot have one: it measures, says so, and check names the cause', async () => {
    const long = join(folder, 'r'.repeat(120))
    const { file, data } = station(`runtime: { folder: ${long} }`)
    expect(motepost('check', '-s', file).out).toMatch(/agent +LOOK: .*107/)
    const agent = await started(file)
    const { code, out } = motepost('status', '-s', file)
    expect(code).toBe(1)
    expect(out).toContain('an agent holds')
    expect(motepost('visit', 'start', '-s', file).code).toBe(1)
    expect(await ended(agent, 'SIGTERM')).toBe(0)
    expect(readFileSync(join(data, 'lines-000000000001.csv'), 'utf8')).toContain('stopped')
  })
})

describe('check', () => {
  it('says of a running station that it runs', async () => {
    const { file } = station()
    expect(motepost('check', '-s', file).out).toMatch(/agent +well: none runs/)
    await started(file)
    expect(motepost('check', '-s', file).out).toMatch(/agent +well: runs and answers/)
  })
})

describe('a time from a notebook', () => {
  const now = utcMillis(Date.UTC(2026, 6, 10, 10, 0))
  const fixed: Place = { standardOffsetMinutes: 60 }
  // Rules of the European Union since 1996: summer from the last Sunday of March to that of October, 01:00 UTC.
  const summery: Place = { timeZone: 'Europe/Paris', standardOffsetMinutes: 60 }
  const read = (text: string, place: Place) => {
    const result = readLocalTime(text, place, now)
    return result.ok ? result.text : result.words
  }

  it('is read as the clocks of the place showed it, summer or winter', () => {
    expect(read('08:30', fixed)).toBe('2026-07-10T07:30:00Z')
    expect(read('08:30', summery)).toBe('2026-07-10T06:30:00Z')
    expect(read('2026-01-10 08:30', summery)).toBe('2026-01-10T07:30:00Z')
    expect(read('yesterday 23:59', fixed)).toBe('2026-07-09T22:59:00Z')
    expect(localText(now, summery)).toBe('2026-07-10 12:00')
  })

  it('is refused where the clocks showed it twice or never', () => {
    expect(read('2025-10-26 02:30', summery)).toContain('twice')
    expect(read('2025-10-26 02:30', summery)).toContain('+02:00 or +01:00')
    expect(read('2026-03-29 02:30', summery)).toContain('did not exist')
    expect(read('2025-10-26 03:30', summery)).toBe('2025-10-26T02:30:00Z')
  })

  it('that says its own offset, or now, or is no time, is handed on', () => {
    for (const text of ['2026-03-01T08:30Z', '2026-03-01T08:30+02:00', 'now', 'soon'])
      expect(read(text, fixed)).toBe(text)
  })
})
