/** Two built collectors on one mosquitto, each of its own group: nothing of one reaches the other. */
import { spawn, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connectAsync, type MqttClient } from 'mqtt'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { openStores } from '../../agent/cli/desk.js'
import { makePack, topicOf } from '../../agent/uplink/uplink.js'
import { program } from '../support/field-rig.js'
import { madeBoot, madeDay, madeSet } from '../support/made-lines.js'
import { hasMosquitto, startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { waitFor } from '../support/wait.js'
import { value } from '../store/support.js'

vi.setConfig({ testTimeout: 180_000 })

const groups = ['oakfield', 'elmfield'] as const

describe.skipIf(!hasMosquitto)('two collectors of two groups', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-groups-'))
  const children: ChildProcess[] = []
  let broker: Mosquitto
  let client: MqttClient
  afterAll(async () => {
    for (const child of children) child.kill('SIGKILL')
    client?.end(true)
    await broker?.remove()
    rmSync(folder, { recursive: true, force: true })
  })

  function collect(group: string): ChildProcess {
    const args = [
      '--broker',
      `mqtt://127.0.0.1:${broker.port}`,
      '--group',
      group,
      '--archive',
      join(folder, group),
    ]
    const child = spawn(process.execPath, [program, 'collect', ...args], { stdio: 'ignore' })
    children.push(child)
    return child
  }
  const isConnected = (group: string) => (): boolean => {
    const file = join(folder, group, 'status.json')
    return (
      existsSync(file) && (JSON.parse(readFileSync(file, 'utf8')) as { link: string }).link === 'connected'
    )
  }

  it('share a broker, and each has its own stations only, also those of one name', async () => {
    broker = await startMosquitto()
    client = await connectAsync(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5 })
    const received = new Map<string, string>()
    client.on('message', (topic, payload) => received.set(topic, payload.toString()))
    await client.subscribeAsync('motepost/1/+/+/receipt', { qos: 1 })
    const [first] = groups.map(collect)
    for (const group of groups) await waitFor(`the collector of ${group}`, isConnected(group), 60)
    const send = async (group: string, from: number, to: number): Promise<void> => {
      const lines = madeDay(group.length, 60).slice(from, to)
      const about = { group, station: 'gate', storeId: `store-of-${group}`, boot: madeBoot, sets: [madeSet] }
      const pack = makePack({ ...about, lines }, { encoding: 'cbor', compress: true })
      await client.publishAsync(topicOf(group, 'gate', 'lines'), Buffer.from(pack), { qos: 1 })
    }
    const hasReceipt = (group: string, upTo: number) => (): boolean =>
      received
        .get(topicOf(group, 'gate', 'receipt'))
        ?.includes(`{"store-of-${group}":{"contiguous":${upTo},`) ?? false
    for (const group of groups) await send(group, 0, 20)
    for (const group of groups) await waitFor(`a receipt in ${group}`, hasReceipt(group, 20), 60)
    first.kill('SIGKILL')
    for (const group of groups) await send(group, 20, 40)
    await waitFor('the other to go on', hasReceipt('elmfield', 40), 60)
    expect(hasReceipt('oakfield', 20)()).toBe(true)
    collect('oakfield')
    await waitFor('the killed one to take what waited', hasReceipt('oakfield', 40), 90)
    for (const group of groups) {
      expect(readdirSync(join(folder, group)).filter((name) => !/^\.|\./.test(name))).toEqual(['gate'])
      const stores = await openStores(join(folder, group))
      if (!stores.ok) throw new Error(stores.words)
      expect(stores.value.map(({ storeId }) => storeId)).toEqual([`store-of-${group}`])
      expect(value(await stores.value[0].reader.lines(0, 100))).toHaveLength(40)
    }
  })
})
