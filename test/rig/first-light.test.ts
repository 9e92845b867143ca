/**
 * The whole chain with real parts: bytes on a real pty, the built `motepost run`, a real disk, a real MQTT 5 broker and
 * a subscriber that shares no code with the agent. Records are short here; everything else is as in the field.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { MqttClient } from 'mqtt'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { storedLines, subscribe, type Far } from '../support/independent-reader.js'
import { startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

const root = join(import.meta.dirname, '../..')

describeWith(['socat', 'mosquitto'], 'first light', () => {
  let folder: string
  let pty: PtyPair
  let broker: Mosquitto
  let agent: ChildProcess
  let feeding: NodeJS.Timeout
  let client: MqttClient
  let far: Far
  let log = ''

  const start = (): void => {
    agent = spawn(process.execPath, [
      join(root, 'dist/agent/cli/main.js'),
      'run',
      '--settings',
      join(folder, 'station.yaml'),
    ])
    agent.stdout?.on('data', (d: Buffer) => (log += d.toString()))
    agent.stderr?.on('data', (d: Buffer) => (log += d.toString()))
  }
  const ended = (signal: NodeJS.Signals): Promise<number | null> => {
    const exit = new Promise<number | null>((resolve) => agent.once('exit', resolve))
    agent.kill(signal)
    return exit
  }

  beforeEach(async () => {
    folder = mkdtempSync(join(tmpdir(), 'motepost-rig-'))
    pty = await startPtyPair()
    broker = await startMosquitto()
    ;({ client, far } = subscribe(broker.port))
    await new Promise<void>((resolve) => client.once('connect', () => resolve()))
    await client.subscribeAsync('motepost/1/#', { qos: 1 })
    writeFileSync(
      join(folder, 'station.yaml'),
      `version: 1
station: { name: north-fence, group: slate-hollow }
instruments:
  - { layout: frames-424d-32, port: ${pty.sensor}, warm_up_s: 0 }
data: { folder: ${folder}/data, flush_every_s: 2, record_s: 1 }
clock: { trust: system }
uplink: { mode: mqtt, url: 'mqtt://127.0.0.1:${broker.port}', pack_every_min: 0.05, receipts: none }
`,
    )
    const frame = new Uint8Array(32)
    let n = 0
    feeding = setInterval(() => {
      writeFrame(frame, 0, plausibleFrame(10 + (n++ % 7), 5))
      pty.feed(frame)
    }, 1000)
  })

  afterEach(async (context) => {
    clearInterval(feeding)
    if (agent.exitCode === null && agent.signalCode === null) await ended('SIGKILL')
    await client.endAsync(true)
    await broker.remove()
    await pty.end()
    if (context.task.result?.state === 'fail') console.info(log)
    rmSync(folder, { recursive: true, force: true })
  })

  const arrived = (atLeast: number) =>
    waitFor(`${atLeast} lines at the far end`, () => far.seen.size >= atLeast, 90)
  const stored = () => storedLines(join(folder, 'data'))
  /** Records on disk in which readings counted: the second value cell is the used seconds of the first channel. */
  const measured = () =>
    [...stored().lines.values()].filter((cells) => cells[0] === 'record' && Number(cells[9]) > 0)
  const moreMeasured = (what: string, more: number) => {
    const before = measured().length
    return waitFor(`${more} measured records ${what}`, () => measured().length >= before + more, 60)
  }

  it('brings every record up to the last sync to the far end, through a broker outage, a kill and an unplug', async () => {
    start()
    await arrived(5)
    await moreMeasured('before the outage', 5)

    await broker.stop()
    const atOutage = stored().lines.size
    await moreMeasured('while the broker is away', 6)
    await broker.start()
    await arrived(atOutage + 6)

    await ended('SIGKILL')
    const atKill = stored()
    start()
    await moreMeasured('after the kill', 6)

    await pty.unplug()
    await waitFor('the loss is told', () => log.includes('port-gone'), 10)
    await pty.replug()
    const atReplug = Math.max(...stored().lines.keys())
    await waitFor(
      'readings after the replug',
      () =>
        [...stored().lines].some(
          ([seq, cells]) => seq > atReplug && cells[0] === 'record' && Number(cells[9]) > 0,
        ),
      30,
    )

    const began = Date.now()
    expect(await ended('SIGTERM')).toBe(0)
    expect(Date.now() - began).toBeLessThan(5000)
    await waitFor('the farewell', () => far.retained.get('alive')?.includes('"stopped"') === true)
    const atEnd = stored()
    start()
    const missing = () => [...atEnd.lines.keys()].filter((seq) => !far.seen.has(`${atEnd.storeId} ${seq}`))
    await waitFor('everything at the far end', () => missing().length === 0, 20).catch((error: Error) => {
      const lines = missing().map((seq) => `${seq} ${atEnd.lines.get(seq)?.slice(0, 8).join(',')}`)
      throw new Error(`${error.message}; missing: ${lines.join(' | ')}`)
    })

    // What was safe before the kill is there, once, unchanged, and no number was used for two lines.
    for (const [seq, cells] of atKill.lines) expect(atEnd.lines.get(seq)).toEqual(cells)
    // The far end has the same values, record by record: mean of PM2.5 is the sixth value cell (pm1 has five). A line that
    // travelled as text is compared whole.
    let compared = 0
    for (const [seq, cells] of atEnd.lines) {
      const there = far.seen.get(`${atEnd.storeId} ${seq}`)
      const isMeasured = cells[0] === 'record' && Number(cells[9]) > 0
      if (there?.text !== undefined) expect(there.text).toBe(cells.slice(0, -1).join(','))
      else if (isMeasured) expect(there?.pm2_5).toBe(Number(cells[13]))
      if (isMeasured) compared++
    }
    expect(compared).toBeGreaterThan(15)
    console.info(`rig: ${atEnd.lines.size} lines stored, ${far.doubles} doubles sent`)
    expect(far.retained.get('averages')).toContain('"data_capture_percent"')
    expect(JSON.parse(far.retained.get('health') ?? '{}')).toMatchObject({ v: 1, station: 'north-fence' })
  }, 180_000)

  it('ends within 5 s with exit code 0 when the broker has never been there', async () => {
    await broker.stop()
    start()
    await waitFor('the first records', () => existsSync(join(folder, 'data')) && stored().lines.size > 4, 30)
    const before = stored().lines.size
    const began = Date.now()
    expect(await ended('SIGTERM')).toBe(0)
    expect(Date.now() - began).toBeLessThan(5000)
    const after = [...stored().lines.values()]
    expect(after.length).toBeGreaterThan(before)
    expect(after.some((cells) => cells[0] === 'event' && cells.includes('stopped'))).toBe(true)
  }, 60_000)
})
