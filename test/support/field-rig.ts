/**
 * A station in the field, made of real parts: the built `motepost run`, a pty in place of the sensor's adapter, and, where
 * a test wants to read health, a real MQTT 5 broker. Records are one second long; all other durations are set by the test.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { mkdtempSync, readdirSync, readFileSync, readlinkSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connect, type MqttClient } from 'mqtt'
import { plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { startMosquitto, type Mosquitto } from './mosquitto.js'
import { startPtyPair, type PtyPair } from './pty.js'
import { storedRecords, type StoredRecord } from './stored-records.js'
import { nodeFlags, unitEnvironment } from './unit-file.js'
import { waitFor } from './wait.js'

export const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')

export interface Health {
  readonly state: string
  readonly faults: readonly { code: string; detail: string; for_s: number; times: number }[]
  readonly instruments: readonly {
    open: boolean
    losses: number
    newest_frame_age_s: number
    decoder: { taken: number; refused: Record<string, number> }
  }[]
}

export interface RigOptions {
  /** Further keys of the instrument, in YAML's short form. */
  readonly instrument?: string
  /** Further blocks of the settings file. */
  readonly settings?: string
  readonly broker?: boolean
  /** A broker of the test's own, or a way to the rig's. */
  readonly brokerPort?: number
  /** Further keys of the uplink, in YAML's short form. */
  readonly uplink?: string
  readonly port?: string
}

/** A frame of the 32-byte layout with this PM2.5, whole µg/m³; its PM10 is a little more. */
export function frame(pm2_5: number): Uint8Array {
  const bytes = new Uint8Array(32)
  writeFrame(bytes, 0, plausibleFrame(pm2_5, 5))
  return bytes
}

export class FieldRig {
  readonly folder = mkdtempSync(join(tmpdir(), 'motepost-field-'))
  readonly data = join(this.folder, 'data')
  readonly settingsFile = join(this.folder, 'station.yaml')
  agent: ChildProcess | undefined
  log = ''
  private readonly retainedTexts = new Map<string, string>()
  private feeding: NodeJS.Timeout | undefined

  private constructor(
    readonly pty: PtyPair,
    readonly broker: Mosquitto | undefined,
    private readonly client: MqttClient | undefined,
  ) {}

  static async make(options: RigOptions = {}): Promise<FieldRig> {
    const pty = await startPtyPair()
    const broker = options.broker ? await startMosquitto() : undefined
    const client = broker && connect(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5 })
    const rig = new FieldRig(pty, broker, client)
    client?.on('error', () => undefined)
    client?.on('message', (topic, payload) =>
      rig.retainedTexts.set(topic.split('/').slice(4).join('/'), payload.toString()),
    )
    await client?.subscribeAsync('motepost/1/+/+/+/#', { qos: 1 })
    await client?.subscribeAsync('motepost/1/+/+/health', { qos: 1 })
    rig.writeSettings(options)
    return rig
  }

  writeSettings(options: RigOptions): void {
    const port = options.port ?? this.pty.sensor
    const broker = options.brokerPort ?? this.broker?.port
    const uplink = broker
      ? `{ mode: mqtt, url: 'mqtt://127.0.0.1:${broker}', receipts: none, ${options.uplink ?? ''} }`
      : '{ mode: none }'
    const text = `version: 1
station: { name: north-fence, time_zone: UTC }
instruments:
  - { layout: frames-424d-32, port: '${port}', warm_up_s: 0, ${options.instrument ?? ''} }
data: { folder: ${this.data}, record_s: 1, flush_every_s: 1 }
clock: { trust: system }
uplink: ${uplink}
${options.settings ?? ''}
`
    writeFileSync(this.settingsFile, text)
  }

  /** @param before a program that starts the agent, such as setpriv with its arguments */
  start(env: NodeJS.ProcessEnv = {}, before: readonly string[] = []): void {
    const command = [
      ...before,
      process.execPath,
      ...nodeFlags,
      program,
      'run',
      '--settings',
      this.settingsFile,
    ]
    this.agent = spawn(command[0], command.slice(1), { env: { ...process.env, ...unitEnvironment, ...env } })
    for (const stream of [this.agent.stdout, this.agent.stderr])
      stream?.on('data', (d: Buffer) => (this.log += d.toString()))
  }

  get running(): boolean {
    return this.agent !== undefined && this.agent.exitCode === null && this.agent.signalCode === null
  }

  async stop(signal: NodeJS.Signals = 'SIGTERM'): Promise<number | null> {
    const exit = new Promise<number | null>((resolve) => this.agent!.once('exit', resolve))
    this.agent!.kill(signal)
    return exit
  }

  /** One frame every so often; the value of the nth is its PM2.5. */
  feedFrames(everyMillis = 500, value: (n: number) => number = (n) => 10 + (n % 7)): void {
    this.stopFeeding()
    let n = 0
    this.feeding = setInterval(() => this.pty.feed(frame(value(n++))), everyMillis)
  }

  stopFeeding(): void {
    clearInterval(this.feeding)
  }

  /** Puts all of it on the line, as fast as the line takes it. */
  async feedAll(bytes: Uint8Array): Promise<void> {
    let at = 0
    await waitFor(`the line to take ${bytes.length} bytes`, () => {
      at += this.pty.feed(bytes.subarray(at, at + 2048))
      return at >= bytes.length
    })
  }

  /** Texts of the event lines on the disk, oldest first. */
  eventLines(): string[] {
    const files = readdirSync(this.data).filter((name) => name.startsWith('lines-'))
    const texts = files.sort().flatMap((name) => readFileSync(join(this.data, name), 'utf8').split('\n'))
    return texts.filter((text) => text.startsWith('event,'))
  }

  get records(): StoredRecord[] {
    return storedRecords(this.data)
  }

  /** Records in which readings counted, after the given number. */
  measured(after = 0): StoredRecord[] {
    return this.records.filter((record) => record.seq > after && record.used > 0)
  }

  get newestSeq(): number {
    return Math.max(0, ...this.records.map((record) => record.seq))
  }

  async untilMeasured(what: string, after = 0, atLeast = 1, limitSeconds = 15): Promise<void> {
    await waitFor(
      `${atLeast} measured records ${what}`,
      () => this.measured(after).length >= atLeast,
      limitSeconds,
    )
  }

  retained(what: string): Record<string, unknown> | undefined {
    const text = this.retainedTexts.get(what)
    return text === undefined ? undefined : (JSON.parse(text) as Record<string, unknown>)
  }

  get health(): Health | undefined {
    return this.retained('health') as unknown as Health | undefined
  }

  async untilHealth(what: string, holds: (health: Health) => boolean, limitSeconds = 15): Promise<void> {
    await waitFor(`health: ${what}`, () => this.health !== undefined && holds(this.health), limitSeconds)
  }

  hasFault = (code: string): boolean => this.health?.faults.some((fault) => fault.code === code) === true

  untilLog = (text: string, limitSeconds = 15): Promise<void> =>
    waitFor(`'${text}' in the log`, () => this.log.includes(text), limitSeconds)

  /** Lines of the log in which a fault begins to stand. */
  raised(code: string): number {
    return this.log
      .split('\n')
      .filter((line) => line.includes(`"code":"${code}"`) && !line.includes('"msg":"over: ')).length
  }

  /** What the descriptors of the agent stand for. */
  descriptors(): string[] {
    const folder = `/proc/${this.agent!.pid}/fd`
    return readdirSync(folder).flatMap((fd) => {
      try {
        return [readlinkSync(join(folder, fd))]
      } catch {
        return []
      }
    })
  }

  residentKilobytes(): number {
    return Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${this.agent!.pid}/status`, 'utf8'))?.[1])
  }

  /** CPU time so far, user and system (proc(5): fields 14 and 15, in hundredths of a second on Linux). */
  cpuSeconds(): number {
    const stat = readFileSync(`/proc/${this.agent!.pid}/stat`, 'utf8')
    const fields = stat.slice(stat.lastIndexOf(')') + 2).split(' ')
    return (Number(fields[11]) + Number(fields[12])) / 100
  }

  /** @param showLog after a failure */
  async end(showLog: boolean): Promise<void> {
    this.stopFeeding()
    if (this.running) await this.stop('SIGKILL')
    await this.client?.endAsync(true)
    await this.broker?.remove()
    await this.pty.end()
    if (showLog) console.info(this.log)
    rmSync(this.folder, { recursive: true, force: true })
  }
}
