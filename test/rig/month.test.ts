/**
 * A month of faults in minutes: several built stations on real ptys, a real broker and a real collector, records of one
 * second. Links are cut, frozen, broken within a packet and robbed of their answers; agents, broker and collector are killed.
 * A subscriber that shares no code with the agent keeps what comes; at the end it and the archive are held against the stores.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, readdirSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { MqttClient } from 'mqtt'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { storedLines, subscribe, type Far, type StoredText } from '../support/independent-reader.js'
import { startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import { outageLink, type OutageLink } from './outage-link.js'

const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const names = ['north', 'east', 'south', 'west', 'gate', 'yard']
/** Each round: two faults of the link and a kill of the agent at each station; beside it a kill of broker or collector. */
const rounds = 11
const linkFaults = ['cut', 'frozen', 'half a packet', 'answer swallowed', 'refused'] as const
/** On a machine that does other things as well. */
const patienceSeconds = 120
const frame = new Uint8Array(32)

const settings = (name: string, port: string, folder: string, link: number): string => `version: 1
station: { name: ${name}, group: month, time_zone: UTC }
instruments:
  - { layout: frames-424d-32, port: ${port}, warm_up_s: 0 }
data: { folder: ${folder}, flush_every_s: 1, record_s: 1 }
clock: { trust: system }
uplink:
  { mode: mqtt, url: 'mqtt://127.0.0.1:${link}', pack_every_min: 0.05, answer_limit_s: 5, resend_after_min: 0.1 }
`

async function killed(child: ChildProcess, signal: NodeJS.Signals = 'SIGKILL'): Promise<number | null> {
  if (child.exitCode !== null || child.signalCode !== null) return child.exitCode
  const exit = new Promise<number | null>((resolve) => child.once('exit', resolve))
  child.kill(signal)
  return exit
}

class MonthStation {
  agent: ChildProcess | undefined
  readonly data: string
  private feeding: NodeJS.Timeout | undefined

  private constructor(
    readonly name: string,
    readonly link: OutageLink,
    private readonly pty: PtyPair,
    private readonly folder: string,
  ) {
    this.data = join(folder, `${name}-data`)
  }

  static async make(name: string, folder: string, brokerPort: number): Promise<MonthStation> {
    const pty = await startPtyPair()
    const station = new MonthStation(name, await outageLink(brokerPort), pty, folder)
    writeFileSync(station.file, settings(name, pty.sensor, station.data, station.link.port))
    let n = 0
    station.feeding = setInterval(() => {
      writeFrame(frame, 0, plausibleFrame(10 + (n++ % 7), 5))
      pty.feed(frame)
    }, 1000)
    station.start()
    return station
  }

  private get file(): string {
    return join(this.folder, `${this.name}.yaml`)
  }

  start(): void {
    this.agent = spawn(process.execPath, [program, 'run', '--settings', this.file], { stdio: 'ignore' })
  }

  stored(): StoredText {
    return existsSync(this.data) ? storedLines(this.data) : { storeId: '', lines: new Map(), twice: [] }
  }

  async end(): Promise<void> {
    clearInterval(this.feeding)
    if (this.agent) await killed(this.agent)
    await this.link.close()
    await this.pty.end()
  }
}

describeWith(['socat', 'mosquitto'], 'a month of faults', () => {
  const seed = Date.now() % 2 ** 31
  const random = seededRandom(seed)
  const folder = mkdtempSync(join(tmpdir(), 'motepost-month-'))
  const archive = join(folder, 'archive')
  const outages: Record<string, number> = {}
  const stations: MonthStation[] = []
  let broker: Mosquitto
  let collector: ChildProcess
  let client: MqttClient
  let far: Far

  const count = (what: string): void => void (outages[what] = (outages[what] ?? 0) + 1)
  const pause = (seconds: number): Promise<void> =>
    new Promise((resolve) => setTimeout(resolve, seconds * 1000))

  const startCollector = (): void => {
    const args = ['collect', '--broker', `mqtt://127.0.0.1:${broker.port}`, '--group', 'month']
    collector = spawn(process.execPath, [program, ...args, '--archive', archive], { stdio: 'ignore' })
  }

  beforeAll(async () => {
    const config = ['autosave_interval 1', 'autosave_on_changes true', 'max_queued_messages 0']
    broker = await startMosquitto({ config })
    ;({ client, far } = subscribe(broker.port))
    await waitFor('the subscriber', () => client.connected)
    await client.subscribeAsync('motepost/1/month/+/lines', { qos: 1 })
    startCollector()
    for (const name of names) stations.push(await MonthStation.make(name, folder, broker.port))
  }, 60_000)

  afterAll(async () => {
    for (const station of stations) await station.end()
    await killed(collector)
    await client.endAsync(true)
    await broker.remove()
    rmSync(folder, { recursive: true, force: true })
  }, 60_000)

  const arrived = ({ storeId }: StoredText): number =>
    [...far.seen.keys()].filter((key) => key.startsWith(storeId)).length

  /** What is recorded from now on reaches the far end again. */
  const recovered = async (station: MonthStation, after: string): Promise<void> => {
    const { storeId, lines } = station.stored()
    const newest = Math.max(0, ...lines.keys())
    await waitFor(
      `lines of ${station.name} after: ${after} (seed ${seed})`,
      () => (far.highest.get(storeId) ?? 0) > newest,
      patienceSeconds,
    )
  }

  async function linkFault(station: MonthStation): Promise<void> {
    const what = linkFaults[Math.floor(random.next() * linkFaults.length)]
    const { link } = station
    count(what)
    if (what === 'cut') link.cut()
    if (what === 'half a packet') link.cutWithin(Math.floor(random.next() * 200))
    if (what === 'answer swallowed') await link.swallowAnswer()
    if (what === 'frozen') {
      link.freeze()
      await pause(0.2 + random.next() * 6)
      link.thaw()
    }
    if (what === 'refused') {
      link.down()
      await pause(0.2 + random.next() * 3)
      link.up()
    }
    await recovered(station, what)
  }

  async function agentKilled(station: MonthStation): Promise<void> {
    count('agent killed')
    await killed(station.agent!)
    station.start()
    await recovered(station, 'the kill of the agent')
  }

  async function stationRound(station: MonthStation): Promise<void> {
    await linkFault(station)
    await linkFault(station)
    await agentKilled(station)
  }

  /** Stations come back only when the subscriber is there again: what it must not miss is not sent before. */
  async function brokerKilled(): Promise<void> {
    count('broker killed')
    for (const { link } of stations) link.down()
    await broker.kill()
    await broker.start()
    await waitFor('the subscriber after the broker', () => client.connected, patienceSeconds)
    for (const { link } of stations) link.up()
  }

  async function collectorKilled(): Promise<void> {
    count('collector killed')
    await killed(collector)
    startCollector()
  }

  const archiveOf = (storeId: string): StoredText => {
    const place = readdirSync(archive, { recursive: true, encoding: 'utf8' }).find((path) =>
      path.endsWith(storeId),
    )
    return place === undefined ? { storeId, lines: new Map(), twice: [] } : storedLines(join(archive, place))
  }

  it('loses nothing that was safe and tells nothing twice, through two hundred outages', async () => {
    for (const station of stations)
      await waitFor(`the store of ${station.name}`, () => station.stored().lines.size > 0, patienceSeconds)
    for (const station of stations) await recovered(station, 'the start')
    for (let round = 0; round < rounds; round++) {
      const beside = round % 2 === 0 ? brokerKilled() : collectorKilled()
      await Promise.all([beside, ...stations.map(stationRound)])
    }
    const total = Object.values(outages).reduce((sum, n) => sum + n, 0)
    expect(total).toBeGreaterThanOrEqual(200)

    for (const station of stations) {
      const kept = station.stored()
      const seqs = [...kept.lines.keys()]
      const missingAtSubscriber = (): number[] =>
        seqs.filter((seq) => !far.seen.has(`${kept.storeId} ${seq}`))
      const missingInArchive = (): number[] => {
        const { lines } = archiveOf(kept.storeId)
        return seqs.filter((seq) => !lines.has(seq))
      }
      await waitFor(
        `all lines of ${station.name} at both far ends (seed ${seed})`,
        () => missingAtSubscriber().length === 0 && missingInArchive().length === 0,
        patienceSeconds,
      ).catch(() => undefined)
      expect(missingAtSubscriber(), `${station.name} at the subscriber, seed ${seed}`).toEqual([])
      expect(missingInArchive(), `${station.name} in the archive, seed ${seed}`).toEqual([])
      const there = archiveOf(kept.storeId)
      expect(kept.twice).toEqual([])
      expect(there.twice).toEqual([])
      for (const [seq, cells] of kept.lines)
        expect(there.lines.get(seq)?.slice(0, -1)).toEqual(cells.slice(0, -1))
      expect(kept.lines.size).toBeGreaterThan(rounds * 5)
      expect(arrived(kept)).toBeGreaterThanOrEqual(kept.lines.size)
    }
    expect(far.conflicts).toEqual([])
    console.info(
      `seed ${seed}: ${total} outages ${JSON.stringify(outages)}; ${far.seen.size} lines, each (store id, seq) once; ${far.doubles} doubles came besides`,
    )
  }, 600_000)
})
