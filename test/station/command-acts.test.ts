/** Each command, from its signed bytes to what it does at a station and what it answers. */
import { describe, expect, it } from 'vitest'
import { command as bytesOf } from '../../agent/instruments/instruments.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { siteLineName } from '../../agent/sitelog/sitelog.js'
import type { StationPorts } from '../../agent/station/station.js'
import {
  good,
  utcMillis,
  type EventLine,
  type OutgoingMessage,
  type RecordLine,
} from '../../agent/terms/terms.js'
import { signedCommand } from '../../agent/uplink/uplink.js'
import { dustRule, energyOf, tellingOne } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'
import { newKey } from '../support/keys.js'

type Uplink = ReturnType<NonNullable<StationPorts['makeUplink']>>
type Taker = NonNullable<Uplink['commands']['taker']>
type Answer = Record<string, unknown>

const { publicKey: key, sign } = newKey()
const layout = loadLayout('frames-424d-32')
const [sleep, wake] = layout.ok ? [bytesOf(layout.value, 'sleep')!, bytesOf(layout.value, 'wake')!] : []
const clean = Uint8Array.of(0x7e, 0x00, 0x56)

/** What a station asks of the link: nothing leaves it here but answers, and what it was asked to send again is kept. */
class KeptUplink {
  readonly answers: Answer[] = []
  readonly again: (readonly number[] | 'parked')[] = []
  readonly commands: { taker?: Taker; heard: boolean; answer: (payload: Uint8Array) => Promise<void> } = {
    heard: true,
    answer: (payload) => {
      this.answers.push(JSON.parse(Buffer.from(payload).toString()) as Answer)
      return Promise.resolve()
    },
  }

  get port(): Uplink {
    const known: Record<string, unknown> = {
      commands: this.commands,
      sendAgain: (from: number, to: number) => void this.again.push([from, to]),
      resend: () => void this.again.push('parked'),
      busy: false,
      settled: () => Promise.resolve(),
      stop: () => Promise.resolve(),
    }
    return new Proxy({} as Uplink, { get: (_, name) => known[String(name)] ?? (() => ({})) })
  }
}

class Life {
  readonly sent: OutgoingMessage[] = []
  readonly link = new KeptUplink()
  restarts = 0
  readonly settings: unknown[] = []
  private number = 0
  private constructor(
    readonly sensor: ToldSensor,
    private made: Rig | undefined,
  ) {}

  get rig(): Rig {
    return this.made!
  }

  static async begin(pm2_5: (at: number) => number = () => 10): Promise<Life> {
    const clock = newClock()
    const life = new Life(new ToldSensor(clock, { pm2_5 }), undefined)
    const options = { wake, planned: { command: sleep }, clean: { bytes: clean, everySeconds: 1e9 } }
    life.made = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: life.sensor, options }],
      gauge: new ToldGauge({ battery_voltage: 13.3, battery_current: 0 }),
      options: { rules: [dustRule], telling, energy },
      ports: () => life.ports(),
    })
    return life
  }

  private ports(): Partial<StationPorts> {
    const send = (message: OutgoingMessage) => {
      this.sent.push(message)
      return Promise.resolve(good({ parts: 1, words: 'taken' }))
    }
    return {
      makeUplink: () => this.link.port,
      telling: { ways: new Map([['sms', { name: 'sms', send }]]), random: { next: () => 0 } },
      commands: {
        signers: () => [{ name: 'anna', role: 'operator', publicKey: key }],
        keepsNumbers: true,
        restart: () => void this.restarts++,
        settings: {
          act: (input, by) => {
            this.settings.push([input, by, this.link.answers.length])
            const answer = { ok: true, words: 'on trial', trial: '0123456789abcdef' }
            return Promise.resolve({ answer, afterwards: () => this.settings.push(this.link.answers.length) })
          },
          inForce: () => ({ from: 'file' }),
        },
      },
    }
  }

  /** Says a command, lives on for a minute, and gives the answer. */
  async ask(what: string, input: Record<string, unknown> = {}): Promise<Answer> {
    const window = { from: utcMillis(startUtc), until: utcMillis(startUtc + 86_400_000) }
    const head = { group: 'rig', station: 'rig', boot: 'b0070001', key, number: ++this.number }
    const payload = signedCommand({ ...head, ...window, do: what, with: input }, sign)
    this.link.commands.taker!.take(payload, {}, false)
    await this.rig.live(this.rig.clock.mono() + 60)
    const answer = this.link.answers.at(-1)!
    expect(answer).toMatchObject({ v: 1, key, number: this.number, boot: 'b0070001' })
    return answer
  }

  async events(name: string): Promise<EventLine[]> {
    return (await this.rig.lines()).filter(
      (line): line is EventLine => line.kind === 'event' && line.name === name,
    )
  }

  /** Means of the minutes after a time, s since boot; NaN while the sensor slept. */
  async means(after: number): Promise<number[]> {
    const records = (await this.rig.records()).filter(({ mono }: RecordLine) => mono >= after)
    return records.map((record) => this.rig.value(record, 'pm2_5', 'mean'))
  }
}

const telling = tellingOne('sms', '+10005550100')
/** Awake for 5 of 15 minutes. */
const energy = energyOf('5-of-15')

describe('a signed command', () => {
  it('health: brings the whole of it', async () => {
    const life = await Life.begin()
    const { ok, health } = await life.ask('health')
    expect({ ok, health }).toMatchObject({ ok: true, health: { station: 'rig', session: 1 } })
    // How many keys, and what came: whose keys they are is not said.
    const { commands } = health as { commands: unknown }
    expect(commands).toEqual({ keys: 1, heard: true, taken: 1, given: 0, held: 1, refused: {} })
  })

  it('resend: numbers go again, and without numbers what the broker did not take; half a range is refused', async () => {
    const life = await Life.begin()
    expect(await life.ask('resend', { from: 1, to: 3 })).toMatchObject({
      ok: true,
      words: 'lines 1 to 3 go again',
    })
    expect(await life.ask('resend')).toMatchObject({ ok: true })
    expect(await life.ask('resend', { from: 5 })).toMatchObject({ ok: false })
    expect(await life.ask('resend', { from: 5, to: 4 })).toMatchObject({ ok: false })
    expect(life.link.again).toEqual([[1, 3], 'parked'])
  })

  it('richer: a sensor that sleeps by its plan stays awake for so long, and no longer once 0 is said', async () => {
    const life = await Life.begin()
    await life.rig.live(900)
    expect((await life.means(0)).filter(Number.isNaN).length).toBeGreaterThan(5)
    expect(await life.ask('richer', { hours: 1 })).toMatchObject({ ok: true })
    await life.rig.live(3600)
    expect((await life.means(1020)).filter(Number.isNaN)).toEqual([])
    expect(await life.ask('richer', { hours: 0 })).toMatchObject({
      ok: true,
      words: 'the sensor runs by its plan again',
    })
    await life.rig.live(5400)
    expect((await life.means(3780)).filter(Number.isNaN).length).toBeGreaterThan(10)
    expect(await life.ask('richer', { hours: 100 })).toMatchObject({ ok: false })
  })

  it('mute: nothing is told of the rule until its end is said', async () => {
    const dusty = (at: number) => (at > 120 && at < 400 ? 80 : 10)
    const life = await Life.begin(dusty)
    expect(await life.ask('mute', { what: 'dust', hours: 2 })).toMatchObject({ ok: true })
    await life.rig.live(700)
    expect((await life.events('alert')).length).toBeGreaterThan(0)
    expect(life.sent).toEqual([])
    expect(await life.ask('mute', { what: 'dust' })).toMatchObject({ ok: false })
    expect(await life.ask('mute', { what: 'dust', hours: 0 })).toMatchObject({ ok: true })
  })

  it('acknowledge: is written down with the name that the key has here, and a rule that is not raised is refused', async () => {
    const life = await Life.begin((at) => (at > 30 && at < 400 ? 80 : 10))
    await life.rig.live(180)
    expect(life.sent).toHaveLength(1)
    expect(await life.ask('acknowledge', { what: 'dust' })).toMatchObject({ ok: true })
    const lines = (await life.rig.lines()).filter((line) => line.kind === 'event' && line.name !== 'command')
    expect(JSON.stringify(lines)).toContain('"anna"')
    expect(await life.ask('acknowledge', { what: 'no-such-rule' })).toMatchObject({ ok: false })
  })

  it('sitelog: is noted, safe on the disk, and answered under the number by which the desk knows the command', async () => {
    const life = await Life.begin()
    const answer = await life.ask('sitelog', { kind: 'observed', note: 'smoke from a field' })
    const [line] = await life.events(siteLineName)
    expect(line.details).toMatchObject({ kind: 'observed', note: 'smoke from a field' })
    expect(answer).toMatchObject({ ok: true, line: line.seq, safe: true, words: `noted in line ${line.seq}` })
    expect(await life.ask('sitelog', { kind: 'no-such-kind' })).toMatchObject({ ok: false })
  })

  it('clean: the bytes go to the sensor, once', async () => {
    const life = await Life.begin()
    await life.rig.live(30)
    expect(await life.ask('clean')).toMatchObject({ ok: true })
    const sent = life.sensor.written.filter(({ hex }) => hex === Buffer.from(clean).toString('hex'))
    expect(sent).toHaveLength(1)
    expect(await life.ask('clean', { instrument: 'nobody' })).toMatchObject({ ok: false })
  })

  it('restart: the answer leaves first', async () => {
    const life = await Life.begin()
    expect(await life.ask('restart')).toMatchObject({ ok: true })
    expect(life.restarts).toBe(1)
  })

  it('settings: go to whoever runs the station, with the name of the key; the answer leaves before they are tried', async () => {
    const life = await Life.begin()
    expect(await life.ask('settings', { text: 'health: { every_min: 20 }' })).toMatchObject({
      ok: true,
      trial: '0123456789abcdef',
    })
    expect(life.settings).toEqual([[{ text: 'health: { every_min: 20 }' }, 'anna', 0], 1])
    expect((await life.rig.station.status()).settings).toEqual({ from: 'file' })
    const [line] = await life.events('command')
    expect(line.details).toMatchObject({ do: 'settings', by: 'anna' })
  })

  it('of another name: nothing is done, and the answer says so', async () => {
    const life = await Life.begin()
    expect(await life.ask('format')).toMatchObject({ ok: false, words: "no command 'format' here" })
  })
})
