/** mosquitto, a real PostgreSQL and the built collector: what stations sent is in the database, whoever is killed meanwhile. */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connectAsync, type MqttClient } from 'mqtt'
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest'
import { makePack, topicOf } from '../../agent/uplink/uplink.js'
import { program } from '../support/field-rig.js'
import { madeBoot, madeDay, madeSet, type MadeLine } from '../support/made-lines.js'
import { hasMosquitto, startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { hasPostgres, startPostgres, type Postgres } from '../support/postgres.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 300_000, hookTimeout: 120_000 })

const stations = ['gate', 'north-fence'] as const
const storeOf = (station: string): string => `${station}-0000-4000`
const linesInPack = 120

describe.skipIf(!hasMosquitto || !hasPostgres)('a collector with a database', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-sql-'))
  const archive = join(folder, 'archive')
  const settings = join(folder, 'collector.yaml')
  const days = new Map(stations.map((station, i) => [station as string, madeDay(i + 1)]))
  let broker: Mosquitto
  let database: Postgres
  let client: MqttClient
  let collector: ChildProcess
  /** Highest number without a gap, as the receipt says. */
  const received = new Map<string, number>()

  beforeAll(async () => {
    broker = await startMosquitto()
    database = await startPostgres()
    writeFileSync(
      settings,
      `version: 1
collector: { group: oakfield, archive: ${archive} }
broker: { url: 'mqtt://127.0.0.1:${broker.port}' }
postgres: { host: 127.0.0.1, port: ${database.port} }
`,
    )
    client = await connectAsync(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5 })
    client.on('message', (topic, payload) => {
      const { stores } = JSON.parse(payload.toString()) as { stores: Record<string, { contiguous: number }> }
      received.set(topic.split('/')[3], Object.values(stores)[0]?.contiguous ?? 0)
    })
    await client.subscribeAsync(topicOf('oakfield', '+', 'receipt'), { qos: 1 })
    collector = collect()
  })
  afterAll(async () => {
    collector?.kill('SIGKILL')
    client?.end(true)
    await broker?.remove()
    await database?.remove()
    rmSync(folder, { recursive: true, force: true })
  })

  const collect = (): ChildProcess =>
    spawn(process.execPath, [program, 'collect', '-s', settings], { stdio: 'ignore' })

  async function send(station: string, lines: readonly MadeLine[]): Promise<void> {
    const about = { group: 'oakfield', station, storeId: storeOf(station), boot: madeBoot, sets: [madeSet] }
    for (let at = 0; at < lines.length; at += linesInPack) {
      const pack = makePack(
        { ...about, lines: lines.slice(at, at + linesInPack) },
        { encoding: 'cbor', compress: true },
      )
      await client.publishAsync(topicOf('oakfield', station, 'lines'), Buffer.from(pack), { qos: 1 })
    }
  }

  const sendAll = async (from: number, to: number): Promise<void> => {
    for (const [station, lines] of days) await send(station, lines.slice(from, to))
  }
  const isReceived = (upTo: number) => (): boolean =>
    stations.every((station) => (received.get(station) ?? 0) >= upTo)
  const status = (): {
    postgres?: { state: string; stores_waiting: number }
    faults?: { code: string }[]
  } => {
    const args = [program, 'stations', 'status', '--archive', archive, '--json']
    const told = spawnSync(process.execPath, args, { encoding: 'utf8' })
    return told.stdout === '' ? {} : (JSON.parse(told.stdout) as ReturnType<typeof status>)
  }
  const isConnected = (): boolean => {
    const file = join(archive, 'status.json')
    return (
      existsSync(file) && (JSON.parse(readFileSync(file, 'utf8')) as { link: string }).link === 'connected'
    )
  }
  const inDatabase = (): number => {
    try {
      return Number(database.ask('SELECT count(*) FROM motepost.lines'))
    } catch {
      return 0
    }
  }

  it('brings what stations sent, also past a kill of itself and of the database, and goes on taking meanwhile', async () => {
    await waitFor('the collector to be connected', isConnected, 60)
    await sendAll(0, 500)
    await waitFor('the first lines in the database', () => inDatabase() === 1000, 90)
    await database.kill()
    await sendAll(500, 900)
    await waitFor('receipts while the database is away', isReceived(900), 60)
    await waitFor(
      'that to be told',
      () => status().faults?.some(({ code }) => code === 'sql-unreachable') ?? false,
      90,
    )
    expect(status().postgres).toMatchObject({ state: 'waiting', stores_waiting: 2 })
    collector.kill('SIGKILL')
    await sendAll(900, 2000)
    collector = collect()
    await waitFor('receipts after a kill', isReceived(1466), 90)
    await database.start()
    const all = [...days.values()].reduce((sum, lines) => sum + lines.length, 0)
    await waitFor('all lines in the database', () => inDatabase() === all, 120)
    for (const [station, lines] of days) {
      const texts = lines.filter(({ line }) => line.kind === 'record').map(({ text }) => text.split(','))
      // Number, start, and the first value as the station's own text has it.
      const rows = database.ask(
        `SELECT seq, to_char(at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"'), mean FROM motepost.readings
         WHERE station = '${station}' AND channel = 'pm1' ORDER BY seq`,
      )
      expect(rows.split('\n')).toEqual(texts.map((cells) => `${cells[1]}|${cells[7]}|${Number(cells[8])}`))
    }
    await waitFor('the fault to be over', () => status().faults === undefined, 60)
    expect(status().postgres).toMatchObject({ state: 'following', stores_waiting: 0 })
  })

  it('answers the questions of the README', () => {
    const readme = readFileSync(join(import.meta.dirname, '../../README.md'), 'utf8')
    const questions = readme.match(/(?<=```sql\n)[^`]*/g) ?? []
    expect(questions).toHaveLength(3)
    const [hours, minutes, events] = questions.map((question) => database.ask(question).split('\n'))
    expect(hours).toHaveLength(48)
    expect(hours[0]).toMatch(/^gate\|2026-03-01 00:00:00\+00\|atmospheric\|\d+\.\d\|(99|100)$/)
    expect(minutes).toHaveLength(10)
    expect(events.map((row) => row.split('|')[0])).toEqual([...stations])
    // The time check came after the start: the start has its time from there.
    expect(events[0]).toMatch(/^gate\|2026-02-28 23:59:59\.\d+\+00\|check\|started\|\{/)
  })
})
