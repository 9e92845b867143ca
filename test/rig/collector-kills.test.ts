/**
 * The built collector is killed (SIGKILL) again and again at random moments while packs come, some of them twice and in any order:
 * no receipt names what the archive does not have, and in the end each line is there once, though nobody sent anything again. And
 * what two collectors by mistake do. Seeds are printed; KILLS_SEED gives one.
 */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connectAsync, type MqttClient } from 'mqtt'
import { afterEach, beforeEach, expect, it, vi } from 'vitest'
import { openStores } from '../../agent/cli/desk.js'
import { askControl } from '../../agent/hardware/control-socket.js'
import { makePack, readReceipt, topicOf, type Receipt } from '../../agent/uplink/uplink.js'
import { program } from '../support/field-rig.js'
import { madeBoot, madeDay, madeSet, repeatable, type MadeLine } from '../support/made-lines.js'
import { startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { value } from '../store/support.js'

vi.setConfig({ testTimeout: 300_000 })

const group = 'oakfield'
const stations = ['gate', 'harbour', 'quarry'] as const
const storeOf = (station: string): string => `${station}-0000-4000`
const kills = 12

let folder: string
let broker: Mosquitto
let client: MqttClient
let children: ChildProcess[]
let made: ReadonlyMap<string, readonly MadeLine[]>
let receipts: { readonly station: string; readonly receipt: Receipt }[]
/** What a receipt named and no archive had when it came. */
let untrue: string[]
let archives: string[]

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'motepost-kills-'))
  ;[children, receipts, untrue, archives] = [[], [], [], [join(folder, 'archive')]]
  broker = await startMosquitto()
  client = await connectAsync(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5 })
  client.on('message', (topic, payload) => hear(topic.split('/')[3], payload))
  await client.subscribeAsync(topicOf(group, '+', 'receipt'), { qos: 1 })
})
afterEach(async () => {
  for (const child of children) child.kill('SIGKILL')
  client.end(true)
  await broker.remove()
  rmSync(folder, { recursive: true, force: true })
})

function seeded(): () => number {
  const seed = Number(process.env.KILLS_SEED ?? Math.floor(Math.random() * 2 ** 31))
  console.info(`KILLS_SEED=${seed}`)
  const next = repeatable(seed)
  made = new Map(stations.map((station, i) => [station, madeDay(Math.floor(next() * 1e6) + i, 480)]))
  return next
}

function collect(archive = archives[0]): ChildProcess {
  const words = ['collect', '--broker', `mqtt://127.0.0.1:${broker.port}`, '--group', group]
  const child = spawn(process.execPath, [program, ...words, '--archive', archive], { stdio: 'ignore' })
  children.push(child)
  return child
}

async function end(child: ChildProcess, signal: NodeJS.Signals = 'SIGKILL'): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return
  const ended = new Promise((resolve) => child.once('exit', resolve))
  child.kill(signal)
  await ended
}

/** Numbers and texts of the whole lines in the files of an archive, as anybody may read them, in the order of the files. */
function linesIn(archive: string, station: string): [seq: number, text: string][] {
  const place = join(archive, station, storeOf(station))
  const names = existsSync(place) ? readdirSync(place).filter((name) => name.startsWith('lines-')) : []
  return names.flatMap((name) =>
    readFileSync(join(place, name), 'utf8')
      .split('\n')
      .filter((text) => /^(record|event|anchor|seal),.*,k[0-9a-f]{8}$/.test(text))
      .map((text): [number, string] => [Number(text.split(',')[1]), text.slice(0, text.lastIndexOf(','))]),
  )
}

/** Of which numbers of a receipt the archive has no line. */
function lacks(archive: string, station: string, { contiguous, ranges }: Receipt): number[] {
  const there = new Set(linesIn(archive, station).map(([seq]) => seq))
  const named = [[1, contiguous] as const, ...ranges].flatMap(([from, to]) =>
    Array.from({ length: to - from + 1 }, (_, i) => from + i),
  )
  return named.filter((seq) => !there.has(seq))
}

/** As it comes: what it names stands in the files of one archive. */
function hear(station: string, payload: Buffer): void {
  const receipt = readReceipt(payload, storeOf(station))
  if (!receipt) return
  receipts.push({ station, receipt })
  const missing = archives.map((archive) => lacks(archive, station, receipt))
  if (missing.every((one) => one.length > 0)) untrue.push(`${station} ${JSON.stringify([receipt, missing])}`)
}

interface Sent {
  readonly station: string
  readonly pack: Uint8Array
}

/** All lines in packs of random length, every third twice, in any order. */
function packsOf(next: () => number): Sent[] {
  const packs: Sent[] = []
  for (const [station, lines] of made)
    for (let at = 0; at < lines.length;) {
      const some = lines.slice(at, (at += 1 + Math.floor(next() * 12)))
      const about = {
        group,
        station,
        storeId: storeOf(station),
        boot: madeBoot,
        sets: [madeSet],
        lines: some,
      }
      const pack = makePack(about, { encoding: 'cbor', compress: next() < 0.5 })
      packs.push({ station, pack }, ...(next() < 1 / 3 ? [{ station, pack }] : []))
    }
  return packs
    .map((pack) => [next(), pack] as const)
    .sort(([a], [b]) => a - b)
    .map(([, pack]) => pack)
}

const publish = ({ station, pack }: Sent): Promise<unknown> =>
  client.publishAsync(topicOf(group, station, 'lines'), Buffer.from(pack), { qos: 1 })

const receiptOf = (station: string): Receipt | undefined =>
  receipts.findLast((one) => one.station === station)?.receipt
const areAllReceived = (): boolean =>
  stations.every((station) => (receiptOf(station)?.contiguous ?? 0) >= made.get(station)!.length)
const isConnected = (archive: string) => async (): Promise<boolean> => {
  const asked = await askControl(join(archive, '.control.sock'), { do: 'status' })
  return asked.ok && (asked.value as { link?: unknown }).link === 'connected'
}

/** Each line once, as it was made, in the files and for every command that reads them. */
async function expectEachOnce(archive: string): Promise<void> {
  const opened = await openStores(archive)
  if (!opened.ok) throw new Error(opened.words)
  for (const station of stations) {
    const lines = made.get(station)!
    const found = linesIn(archive, station).sort(([a], [b]) => a - b)
    expect(found.map(([seq]) => seq)).toEqual(lines.map(({ line }) => line.seq))
    expect(found.map(([, text]) => text)).toEqual(lines.map(({ text }) => text))
    const store = opened.value.find((one) => one.station === station)!
    expect(value(await store.reader.lines(0, lines.length + 1)).map(({ text }) => text)).toEqual(
      lines.map(({ text }) => text),
    )
    expect(existsSync(join(archive, station, storeOf(station), 'conflicts.txt'))).toBe(false)
  }
}

/** While it starts or reads what was left, or a few receipts later and then a moment more: in the middle of its work. */
async function someMoment(next: () => number): Promise<void> {
  const more = (seconds: number): Promise<unknown> =>
    new Promise((resolve) => setTimeout(resolve, 1000 * seconds * next()))
  if (next() < 1 / 3) return void (await more(1.5))
  const from = receipts.length + 1 + Math.floor(next() * 3)
  await waitFor('some receipts', () => receipts.length >= from, 60)
  await more(0.1)
}

describeWith(['mosquitto'], 'a collector that is killed', () => {
  it(`at ${kills} random moments loses and doubles nothing, and no receipt names what is not there`, async () => {
    const next = seeded()
    let collector = collect()
    // Its session at the broker begins here: what comes while it is away waits there.
    await waitFor('the collector', isConnected(archives[0]), 60)
    const packs = packsOf(next)
    const share = Math.ceil(packs.length / (kills + 1))
    for (let kill = 0; kill < kills; kill++) {
      const sending = packs.splice(0, share).map(publish)
      await someMoment(next)
      await end(collector)
      await Promise.all(sending)
      collector = collect()
    }
    await Promise.all(packs.map(publish))
    await waitFor('receipts of all', areAllReceived, 120)
    await end(collector, 'SIGTERM')
    expect(untrue).toEqual([])
    await expectEachOnce(archives[0])
    console.info(`${receipts.length} receipts, ${kills} kills`)
  })
})

describeWith(['mosquitto'], 'two collectors by mistake', () => {
  it('on one archive: the second one ends at once and says so, and the first goes on', async () => {
    const next = seeded()
    const first = collect()
    await waitFor('the collector', isConnected(archives[0]), 60)
    const packs = packsOf(next)
    const half = packs.splice(0, packs.length / 2).map(publish)
    const words = ['collect', '--broker', `mqtt://127.0.0.1:${broker.port}`, '--group', group]
    const second = spawnSync(process.execPath, [program, ...words, '--archive', archives[0]], {
      encoding: 'utf8',
      timeout: 60_000,
    })
    expect([second.status, second.stderr.includes(archives[0])]).toEqual([1, true])
    await Promise.all([...half, ...packs.map(publish)])
    await waitFor('receipts of all', areAllReceived, 120)
    await end(first, 'SIGTERM')
    expect(untrue).toEqual([])
    await expectEachOnce(archives[0])
  })

  it('on two archives: each line is in one of them at least, and one takes the other in', async () => {
    const next = seeded()
    archives.push(join(folder, 'other'))
    const both = archives.map((archive) => collect(archive))
    await Promise.race(archives.map((archive) => waitFor('a collector', isConnected(archive), 60)))
    const packs = packsOf(next)
    const share = Math.ceil(packs.length / 5)
    for (let kill = 0; kill < 5; kill++) {
      await Promise.all(packs.splice(0, share).map(publish))
      // The one that starts anew takes the connection over, and the other one comes back after a while.
      const who = kill % 2
      await end(both[who])
      both[who] = collect(archives[who])
      await waitFor('the connection', isConnected(archives[who]), 60)
    }
    // Left to themselves they would take turns ever more seldom; one alone brings what still waits.
    for (const one of both) await end(one)
    const last = collect(archives[0])
    const has = (station: string): Set<number> =>
      new Set(archives.flatMap((archive) => linesIn(archive, station).map(([seq]) => seq)))
    await waitFor(
      'each line in one of them',
      () => stations.every((station) => has(station).size === made.get(station)!.length),
      180,
    )
    await end(last, 'SIGTERM')
    expect(untrue).toEqual([])
    for (const archive of archives)
      for (const station of stations) {
        const numbers = linesIn(archive, station).map(([seq]) => seq)
        expect(numbers.length).toBeGreaterThan(0)
        expect(new Set(numbers).size).toBe(numbers.length)
      }
    const [into, from] = archives
    const taken = spawnSync(process.execPath, [program, 'collect', '--archive', into, '--take', from])
    expect(taken.status, taken.stderr.toString()).toBe(0)
    await expectEachOnce(into)
  })
})
