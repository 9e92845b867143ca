/** mosquitto, the built collector and a built station: what a kill, an outage and a new card leave in the archive. */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { cpSync, existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, it, vi } from 'vitest'
import { program } from '../support/field-rig.js'
import { startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 300_000 })

let folder: string
let broker: Mosquitto
const children: ChildProcess[] = []

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'motepost-whole-'))
  broker = await startMosquitto()
})
afterEach(async () => {
  for (const child of children.splice(0)) child.kill('SIGKILL')
  await broker.remove()
  rmSync(folder, { recursive: true, force: true })
})

function run(...args: string[]): ChildProcess {
  const child = spawn(process.execPath, [program, ...args], { stdio: 'ignore' })
  children.push(child)
  return child
}

async function end(child: ChildProcess, signal: NodeJS.Signals): Promise<void> {
  const ended = new Promise((resolve) => child.once('exit', resolve))
  child.kill(signal)
  await ended
}

const data = (): string => join(folder, 'data')
const archive = (): string => join(folder, 'archive')
const url = (): string => `mqtt://127.0.0.1:${broker.port}`
const collect = (): ChildProcess =>
  run('collect', '--broker', url(), '--group', 'oakfield', '--archive', archive())

/** Without its sensor: records of one second say so, and events are as many as ever. */
function station(): ChildProcess {
  const file = join(folder, 'gate.yaml')
  writeFileSync(
    file,
    `version: 1
station: { name: gate, group: oakfield, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/motepost-no-such-port }]
data: { folder: ${data()}, record_s: 1, flush_every_s: 1 }
clock: { trust: system }
uplink: { mode: mqtt, url: '${url()}', pack_every_min: 0.05 }
`,
  )
  return run('run', '-s', file)
}

/** Texts of the numbered lines of a folder, by number; a number that stands twice fails. */
function linesIn(place: string): Map<number, string> {
  const found = new Map<number, string>()
  const names = existsSync(place) ? readdirSync(place).filter((name) => name.startsWith('lines-')) : []
  for (const text of names.flatMap((name) => readFileSync(join(place, name), 'utf8').split('\n'))) {
    const [kind, seq] = text.split(',')
    if (!['record', 'event', 'anchor'].includes(kind) || !/,k[0-9a-f]{8}$/.test(text)) continue
    expect(found.has(Number(seq)), text).toBe(false)
    // The CRC is bound to the name of the file.
    found.set(Number(seq), text.slice(0, text.lastIndexOf(',')))
  }
  return found
}

const storesOf = (): string[] =>
  existsSync(join(archive(), 'gate')) ? readdirSync(join(archive(), 'gate')) : []
/** Whether lines of a data folder stand in the archive, as they are. */
function areIn(place: string, lines: ReadonlyMap<number, string>): boolean {
  const { store } = JSON.parse(readFileSync(join(place, 'store.json'), 'utf8')) as { store: string }
  const kept = linesIn(join(archive(), 'gate', store))
  return [...lines].every(([seq, text]) => kept.get(seq) === text)
}
const until = (what: string, holds: () => boolean): Promise<void> => waitFor(what, holds, 120)
/** What is there now arrives, whatever is written meanwhile. */
function arrived(what: string): Promise<void> {
  const lines = linesIn(data())
  return until(`${what} in the archive`, () => areIn(data(), lines))
}

describeWith(['mosquitto'], 'the archive of a station', () => {
  it('has each line once though station and collector are killed meanwhile', async () => {
    const collector = collect()
    const first = station()
    await until(
      'lines in the archive',
      () => storesOf().length > 0 && linesIn(join(archive(), 'gate', storesOf()[0])).size > 5,
    )
    await end(first, 'SIGKILL')
    const second = station()
    await until('lines of the second start', () => linesIn(data()).size > 30)
    await end(collector, 'SIGKILL')
    const alone = linesIn(data()).size
    await until('lines that nobody collects', () => linesIn(data()).size > alone + 8)
    collect()
    await until(
      'the gap to be filled',
      () => linesIn(join(archive(), 'gate', storesOf()[0])).size > alone + 8,
    )
    await end(second, 'SIGTERM')
    const third = station()
    await arrived('all of it')
    await end(third, 'SIGKILL')
    expect(storesOf()).toHaveLength(1)
  })

  it('has the lines of the old card and of the new one, each under its own store', async () => {
    collect()
    const before = station()
    await until(
      'lines of the old card',
      () => existsSync(join(data(), 'store.json')) && linesIn(data()).size > 20,
    )
    await arrived('they')
    await end(before, 'SIGTERM')
    const old = join(folder, 'old-card')
    cpSync(data(), old, { recursive: true })
    rmSync(data(), { recursive: true })
    const after = station()
    await until(
      'lines of the new card',
      () => existsSync(join(data(), 'store.json')) && linesIn(data()).size > 10,
    )
    await until('two stores in the archive', () => storesOf().length === 2)
    await arrived('all of the new card')
    await end(after, 'SIGTERM')
    // What the stop of the old card wrote last may lie on it alone: a copied folder brings it.
    const taken = spawnSync(process.execPath, [program, 'collect', '--archive', archive(), '--take', old])
    expect(taken.status, taken.stderr.toString()).toBe(0)
    expect(areIn(old, linesIn(old))).toBe(true)
  })
})
