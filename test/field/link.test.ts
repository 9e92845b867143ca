/**
 * Field cases of the link to the broker. `rig` here is the real MQTT client on a real broker, or on one that does wrong what
 * it is told to; sockets are real, hours are made. Where the whole program matters it is the built `motepost run`.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, rmSync } from 'node:fs'
import { connect as connectTcp, type Socket } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connect } from 'mqtt'
import { afterEach, describe, expect, it } from 'vitest'
import { usualMqtt, mqttBroker } from '../../agent/hardware/mqtt-broker.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { done } from '../../agent/terms/terms.js'
import { readPack, Uplink, usualUplink } from '../../agent/uplink/uplink.js'
import { bytes, Listening } from '../support/broker-contract.js'
import { fakeBroker, type FakeBroker } from '../support/fake-broker.js'
import { faultyLink } from '../support/faulty-link.js'
import { FieldRig, type RigOptions } from '../support/field-rig.js'
import { LinkRig } from '../support/link-rig.js'
import { startMosquitto, type MosquittoOptions } from '../support/mosquitto.js'
import { describeWith } from '../support/real-parts.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'
import { nodeFlags, unitEnvironment } from '../support/unit-file.js'
import { topic, UplinkRig } from '../support/uplink-rig.js'
import { waitFor } from '../support/wait.js'

const minute = 60_000
const unreachable = { code: 'broker-unreachable', detail: 'made' } as const

const closing: (() => Promise<unknown>)[] = []
const afterwards = (close: () => Promise<unknown>): void => void closing.push(close)
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close()
})

async function fake(): Promise<FakeBroker> {
  const broker = await fakeBroker()
  afterwards(() => broker.close())
  return broker
}

async function mosquitto(options: MosquittoOptions = {}) {
  const broker = await startMosquitto(options)
  afterwards(() => broker.remove())
  return broker
}

async function linkTo(port: number, delayMillis = 0) {
  const link = await faultyLink(port, delayMillis)
  afterwards(() => link.close())
  return link
}

function uplinkTo(...parts: ConstructorParameters<typeof LinkRig>): LinkRig {
  const rig = new LinkRig(...parts)
  afterwards(() => rig.end())
  return rig
}

/** Numbers and texts of the lines that a broker took, in order, repeats too. */
const linesIn = (broker: FakeBroker): { seq: number; text: string }[] =>
  broker.publishes.flatMap(({ topic: to, payload }) => {
    const pack = to.endsWith('/lines') ? readPack(payload) : undefined
    return pack?.ok ? pack.value.lines.map(({ seq, text: words }) => ({ seq, text: words })) : []
  })

const upTo = (last: number): number[] => Array.from({ length: last }, (_, i) => i + 1)
const numbers = (lines: readonly { seq: number }[]): number[] =>
  [...new Set(lines.map(({ seq }) => seq))].sort((a, b) => a - b)

describe('what waits for a link [virtual]', () => {
  it('PC-43 seventy thousand lines that waited come each once, the client never held more than twenty messages', async () => {
    const rig = new UplinkRig()
    rig.collect()
    rig.broker.trouble.refuseConnect = unreachable
    for (let n = 0; n < 70_000; n++) rig.store.event(n)
    rig.uplink.safeUpTo(70_000)
    await rig.live(600)
    rig.broker.trouble.refuseConnect = undefined
    await rig.live(3600)
    expect(numbers([...rig.archive.kept.keys()].map((seq) => ({ seq })))).toEqual(upTo(70_000))
    expect(rig.collector!.lines.doubles).toBe(0)
    expect(rig.broker.mostUnanswered).toBeLessThanOrEqual(20)
  })

  it('PC-54 a broker that refuses for an hour, and one that never answers, are each tried fewer than 60 times', async () => {
    for (const code of ['broker-down', 'broker-unreachable'] as const) {
      const rig = new UplinkRig()
      rig.broker.trouble.refuseConnect = { code, detail: 'made' }
      await rig.live(3600, () => undefined, 1)
      expect(rig.broker.connects).toBeGreaterThan(3)
      expect(rig.broker.connects).toBeLessThan(60)
      expect(rig.uplink.status(rig.now).budget.failed_attempts_24_h).toBe(rig.broker.connects)
    }
  })

  it(
    'PC-58 a modem that is connected and carries nothing is climbed against step by step, within limits, while records go on',
    async () => {
      const ran: string[] = []
      const clock = newClock()
      const step = (
        name: 'interface' | 'modem-reset' | 'reboot',
        afterMinutes: number,
        mostADay: number,
      ) => ({
        name,
        afterSeconds: afterMinutes * 60,
        everySeconds: 3600,
        mostADay,
        run: {
          name,
          cycle: () => {
            ran.push(`${name} ${Math.round(clock.mono() / 60)}`)
            return Promise.resolve(done)
          },
        },
      })
      const sensor = new ToldSensor(clock, { pm2_5: () => 12 })
      let attempts = 0
      const broker = {
        name: 'dead',
        connect: () => {
          attempts++
          return Promise.resolve({ ok: false, fault: unreachable } as const)
        },
      }
      const rig = await startRig(clock, new MemoryDisk(), {
        instruments: [{ sensor }],
        ports: (store) => ({
          makeUplink: (faults) =>
            new Uplink(
              { ...usualUplink, group: 'rig', station: 'rig' },
              { broker, store, faults, random: { next: () => 0.5 }, boot: 'b0070001' },
            ),
          linkSteps: [step('interface', 20, 24), step('modem-reset', 45, 1), step('reboot', 150, 1)],
        }),
      })
      await rig.live(3 * 3600)
      const events = (await rig.lines()).flatMap((line) =>
        line.kind === 'event' && line.name === 'link-step' ? [line.details.step] : [],
      )
      expect(events.slice(0, 4)).toEqual(['reconnect', 'interface', 'modem-reset', 'reconnect'])
      expect(ran.filter((one) => one.startsWith('interface'))).toHaveLength(3)
      expect(ran.filter((one) => one.startsWith('modem-reset'))).toHaveLength(1)
      expect(ran.filter((one) => one.startsWith('reboot'))).toHaveLength(1)
      expect(events.filter((name) => name === 'reconnect')).toHaveLength(3)
      expect(attempts).toBeLessThan(120)
      const records = await rig.records()
      expect(records).toHaveLength(180)
      expect(records.slice(2).every((record) => rig.value(record, 'pm2_5', 'used') === 60)).toBe(true)
    },
    minute,
  )
})

describe('a broker that does wrong [rig]', () => {
  it(
    'PC-46 a publish that is never answered is given up in time, and everything is there when answers come again',
    async () => {
      const broker = await fake()
      broker.answer = () => 'nothing'
      const rig = uplinkTo(broker.port, { answerLimitSeconds: 0.2 }, { receipts: 'none', mostPackLines: 10 })
      rig.lines(100)
      await rig.live(600)
      expect(rig.faults.times('broker-silent')).toBeGreaterThan(3)
      expect(rig.uplink.status(rig.now)).toMatchObject({ backlog: 100 })
      expect(broker.mostUnacknowledged).toBeLessThanOrEqual(20)
      broker.answer = () => 'ack'
      await rig.live(3600)
      expect(numbers(linesIn(broker))).toEqual(upTo(100))
      expect(rig.uplink.counts()).toMatchObject({ given: 100, held: 0 })
      expect(rig.faults.standing).not.toContain('broker-silent')
    },
    minute,
  )

  it(
    'PC-47 one acknowledgement in five that does not come costs a repeat, holds nothing up, and keeps few in flight',
    async () => {
      const broker = await fake()
      broker.answer = (_, n) => (n % 5 === 0 ? 'nothing' : 'ack')
      const rig = uplinkTo(broker.port, { answerLimitSeconds: 0.2 }, { receipts: 'none', mostPackLines: 10 })
      rig.lines(300)
      await rig.live(1800)
      expect(numbers(linesIn(broker))).toEqual(upTo(300))
      expect(rig.uplink.counts()).toMatchObject({ given: 300, held: 0 })
      expect(broker.mostUnacknowledged).toBeLessThanOrEqual(20)
    },
    minute,
  )

  it(
    'PC-56 a refused message is not delivered, is told, and nothing is thrown at the broker again and again',
    async () => {
      const broker = await fake()
      broker.answer = ({ topic: to }) => (to.endsWith('/lines') ? 0x87 : 'ack')
      broker.echoes = true
      const rig = uplinkTo(broker.port, {}, { receipts: 'none' })
      rig.lines(100)
      await rig.live(6 * 3600)
      expect(rig.faults.standing).toContain('broker-denied')
      expect(rig.uplink.counts()).toMatchObject({ given: 0, held: 100 })
      expect(broker.publishes.filter(({ topic: to }) => to.endsWith('/lines')).length).toBeLessThan(20)
      broker.answer = () => 'ack'
      await rig.live(7 * 3600)
      expect(rig.uplink.counts()).toMatchObject({ given: 100, held: 0 })
      expect(rig.faults.standing).not.toContain('broker-denied')
      // One that acknowledges and drops: nothing comes back.
      expect(rig.faults.standing).not.toContain('round-trip-failed')
      broker.echoes = false
      await rig.live(2 * 3600)
      expect(rig.faults.standing).toContain('round-trip-failed')
    },
    minute,
  )

  it(
    'PC-57 what is sent again after lost acknowledgements is the same line to the byte under the same number',
    async () => {
      const broker = await fake()
      broker.answer = () => 'nothing'
      const rig = uplinkTo(broker.port, { answerLimitSeconds: 0.2 }, { receipts: 'none', mostPackLines: 7 })
      rig.lines(40)
      await rig.live(300)
      broker.answer = () => 'ack'
      await rig.live(3600)
      const texts = new Map<number, Set<string>>()
      for (const { seq, text: words } of linesIn(broker))
        texts.set(seq, (texts.get(seq) ?? new Set()).add(words))
      expect([...texts.keys()].sort((a, b) => a - b)).toEqual(upTo(40))
      expect(linesIn(broker).length).toBeGreaterThan(40)
      for (const [seq, all] of texts) expect([...all], `line ${seq}`).toEqual([rig.store.kept.get(seq)!.text])
    },
    minute,
  )

  it(
    'packets that are cut in half, or end the connection, cost a repeat',
    async () => {
      const broker = await fake()
      broker.answer = (_, n) => (n % 7 === 3 ? 'half' : n % 7 === 5 ? 'cut' : 'ack')
      const rig = uplinkTo(broker.port, {}, { receipts: 'none', mostPackLines: 10 })
      rig.lines(300)
      await rig.live(12 * 3600)
      expect(numbers(linesIn(broker))).toEqual(upTo(300))
      expect(rig.uplink.counts()).toMatchObject({ given: 300, held: 0, refused: { parked: 0 } })
    },
    minute,
  )

  it('the number of messages that a broker takes at once, and the size of one, are kept to', async () => {
    const broker = await fake()
    broker.connack = { code: 0, properties: { receiveMaximum: 1, maximumPacketSize: 3000 } }
    const rig = uplinkTo(broker.port, {}, { receipts: 'none', compress: false })
    rig.lines(200)
    await rig.live(3600)
    expect(broker.mostUnacknowledged).toBe(1)
    for (const { payload } of broker.publishes) expect(payload.length).toBeLessThan(3000)
    expect(numbers(linesIn(broker))).toEqual(upTo(200))
    expect(rig.uplink.counts()).toMatchObject({ given: 200, held: 0 })
  })

  it('a used-up quota (0x97) is waited out, not taken for a bad message', async () => {
    const broker = await fake()
    broker.answer = () => 0x97
    const rig = uplinkTo(broker.port, {}, { receipts: 'none' })
    rig.lines(50)
    await rig.live(1800)
    expect(rig.faults.standing).toContain('broker-full')
    expect(broker.publishes.length).toBeLessThan(150)
    broker.answer = () => 'ack'
    await rig.live(2 * 3600)
    expect(rig.uplink.counts()).toMatchObject({ given: 50, held: 0, refused: { parked: 0 } })
  })

  it('a message that ends the connection each time is found, parked and told, and the others go on', async () => {
    const broker = await fake()
    broker.answer = ({ topic: to, payload }) => {
      const pack = to.endsWith('/lines') ? readPack(payload) : undefined
      return pack?.ok && pack.value.lines.some(({ seq }) => seq === 33) ? 'cut' : 'ack'
    }
    const rig = uplinkTo(broker.port, {}, { receipts: 'none', mostPackLines: 20 })
    rig.lines(100)
    await rig.live(12 * 3600)
    expect(rig.uplink.status(rig.now).parked).toEqual([[33, 33]])
    expect(rig.uplink.counts()).toMatchObject({ given: 99, held: 0 })
    expect(rig.faults.standing).toContain('lines-parked')
    expect(broker.connections).toBeLessThan(20)
  })

  // MQTT 5 section 3.2.2.2 and MQTT 3.1.1 section 3.2.2.3.
  it.each([
    [5, 0x86, 'broker-refused-login', 'password'],
    [5, 0x87, 'broker-refused-login', 'right'],
    [5, 0x85, 'broker-refused', 'client id'],
    [5, 0x88, 'broker-refused', 'not available'],
    [5, 0x89, 'broker-refused', 'busy'],
    [5, 0x8a, 'broker-refused', 'banned'],
    [5, 0x97, 'broker-refused', 'quota'],
    [5, 0x9f, 'broker-refused', 'too often'],
    [4, 1, 'broker-refused', 'version'],
    [4, 2, 'broker-refused', 'client id'],
    [4, 3, 'broker-refused', 'not available'],
    [4, 4, 'broker-refused-login', 'password'],
    [4, 5, 'broker-refused-login', 'may not'],
  ] as const)(
    'a connection refused under MQTT %i with code %i is %s, in words',
    async (protocol, code, fault, words) => {
      const broker = await fake()
      broker.connack = { code }
      const rig = uplinkTo(broker.port, { protocol })
      await rig.live(60)
      expect(rig.faults.all[0].code).toBe(fault)
      expect(rig.faults.all[0].detail).toContain(words)
    },
  )
})

describe('names and addresses [rig]', () => {
  it('PC-52 a dead name service gets one look-up at a time, and the last address is gone on with', async () => {
    const broker = await fake()
    let asked = 0
    let isDead = false
    const resolve = () => {
      asked++
      return isDead
        ? new Promise<never>(() => undefined)
        : Promise.resolve([{ address: '127.0.0.1', family: 4 }])
    }
    const named = mqttBroker({
      ...usualMqtt,
      host: 'broker.invalid',
      port: broker.port,
      clientId: 'st-1',
      connectLimitSeconds: 20,
      resolve,
      lookupLimitSeconds: 0.1,
    })
    const request = { subscribe: [], events: new Listening().events }
    for (let n = 0; n < 4; n++) {
      isDead = n > 0
      const session = await named.connect(request)
      expect(session.ok).toBe(true)
      if (session.ok) await session.value.end()
    }
    expect(broker.connections).toBe(4)
    expect(asked).toBe(2)
  })

  it(
    'PC-53 an address that takes a second to answer is waited for although the name has another one',
    async () => {
      const broker = await fake()
      const slow = await slowListener(broker.port)
      const named = mqttBroker({
        ...usualMqtt,
        host: 'broker.invalid',
        port: slow.port,
        clientId: 'st-1',
        resolve: () =>
          Promise.resolve([
            { address: '127.0.0.1', family: 4 },
            { address: '::1', family: 6 },
          ]),
      })
      const session = await named.connect({ subscribe: [], events: new Listening().events })
      expect(session.ok).toBe(true)
      if (session.ok) await session.value.end()
    },
    minute,
  )

  it('a board whose address changed gives the connection up with the first message that is not answered', async () => {
    const broker = await fake()
    const own = { addresses: ['127.0.0.1'] }
    const limits = { answerLimitSeconds: 0.2, ownAddresses: () => own.addresses }
    const rig = uplinkTo(broker.port, limits, { receipts: 'none' })
    await rig.live(60)
    broker.answer = ({ connection }) => (connection === 1 ? 'nothing' : 'ack')
    own.addresses = ['10.0.0.7', '127.0.0.1'].slice(0, 1)
    rig.lines(10)
    rig.uplink.hurry()
    await rig.settled()
    expect(rig.faults.times('link-lost')).toBe(1)
    expect(rig.faults.times('broker-silent')).toBe(0)
    own.addresses = ['127.0.0.1']
    await rig.live(1200)
    expect(rig.uplink.counts()).toMatchObject({ given: 10, held: 0 })
  })
})

/**
 * A listener whose queue is full when one comes, so that the kernel drops what asks to connect; a moment later it goes on,
 * and the next try of the same connection is taken. It passes on to `toPort`.
 */
async function slowListener(toPort: number): Promise<{ port: number }> {
  const script = `const net = require('net')
const server = net.createServer((near) => {
  const far = net.connect(${toPort}, '127.0.0.1')
  near.pipe(far); far.pipe(near)
  for (const one of [near, far]) one.on('error', () => undefined)
}).listen({ port: 0, host: '127.0.0.1', backlog: 1 }, () => console.log(server.address().port))`
  const child: ChildProcess = spawn(process.execPath, ['-e', script], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  const [said] = (await once(child.stdout!, 'data')) as [Buffer]
  const port = Number(said.toString())
  child.kill('SIGSTOP')
  const fillers: Socket[] = []
  for (let n = 0; n < 4; n++) {
    const filler = connectTcp(port, '127.0.0.1')
    filler.on('error', () => undefined)
    fillers.push(filler)
  }
  await once(fillers[0], 'connect')
  setTimeout(() => child.kill('SIGCONT'), 700)
  afterwards(async () => {
    for (const filler of fillers) filler.destroy()
    child.kill('SIGKILL')
    await once(child, 'exit')
  })
  return { port }
}

describeWith(['mosquitto'], 'a real broker [rig]', () => {
  it(
    'PC-44 an alert overtakes five thousand lines that wait at 300 ms a round trip',
    async () => {
      const { port } = await mosquitto()
      const link = await linkTo(port, 150)
      const seen: string[] = []
      const reader = connect(`mqtt://127.0.0.1:${port}`, { protocolVersion: 5 })
      afterwards(() => reader.endAsync(true))
      let alertAfter = -1
      const rig = uplinkTo(link.port, {}, { receipts: 'none' })
      reader.on('message', (to) => {
        seen.push(to.split('/').slice(4).join('/'))
        if (seen.filter((one) => one === 'lines').length === 5 && alertAfter < 0) {
          alertAfter = seen.length
          rig.uplink.retain('alerts/dust', bytes('{"state":"raised"}'))
          rig.uplink.hurry()
        }
      })
      await reader.subscribeAsync('motepost/#', { qos: 1 })
      rig.lines(5000)
      await rig.live(60)
      await waitFor('all packs', () => seen.filter((one) => one === 'lines').length >= 21, 60)
      expect(rig.uplink.counts()).toMatchObject({ given: 5000, held: 0 })
      // Between the raising and the alert there is what was on the wire at that moment and no more.
      const between = seen.slice(alertAfter, seen.indexOf('alerts/dust'))
      expect(between.length).toBeLessThanOrEqual(3)
    },
    minute,
  )

  it(
    'PC-49 a connection whose route is gone is noticed by missing answers, and a new one brings everything',
    async () => {
      const { port } = await mosquitto()
      const link = await linkTo(port)
      const rig = uplinkTo(link.port, { answerLimitSeconds: 0.3 }, { receipts: 'none', mostPackLines: 10 })
      await rig.live(60)
      link.freezeStanding()
      rig.lines(100)
      rig.uplink.hurry()
      await rig.settled()
      expect(rig.faults.times('broker-silent')).toBeGreaterThan(0)
      await rig.live(1200)
      expect(link.connections).toBe(2)
      expect(rig.uplink.counts()).toMatchObject({ given: 100, held: 0 })
    },
    minute,
  )

  it(
    'PC-50 a second client of the same id is told, and the two do not throw each other out without end',
    async () => {
      const { port } = await mosquitto()
      const link = await linkTo(port)
      const rig = uplinkTo(link.port, { clientId: 'twin' }, { receipts: 'none' })
      for (let second = 0; second < 600; second += 5) {
        const twin = connect(`mqtt://127.0.0.1:${port}`, {
          clientId: 'twin',
          protocolVersion: 5,
          reconnectPeriod: 0,
        })
        twin.on('error', () => undefined)
        await new Promise((resolve) => twin.once('connect', resolve))
        await waitFor('the other one to be out', () => rig.uplink.status(rig.now).state !== 'connected', 30)
        await twin.endAsync(true)
        await rig.live(5, 5)
      }
      expect(rig.faults.all.some(({ code }) => code === 'client-id-clash')).toBe(true)
      expect(link.connections).toBeLessThan(30)
    },
    2 * minute,
  )

  it(
    'a power cut of a broker that keeps nothing loses no line: what no receipt names goes again',
    async () => {
      const broker = await mosquitto({ persistent: false })
      const rig = uplinkTo(broker.port, {}, { mostPackLines: 10, resendAfterSeconds: 1800 })
      rig.lines(60)
      await rig.live(60)
      expect(rig.uplink.counts()).toMatchObject({ given: 0, held: 60 })
      await broker.kill()
      await rig.live(60)
      await broker.start()
      const got = new Set<number>()
      const reader = connect(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5 })
      afterwards(() => reader.endAsync(true))
      reader.on('message', (_, payload) => {
        const pack = readPack(payload)
        if (pack.ok) for (const { seq } of pack.value.lines) got.add(seq)
      })
      await reader.subscribeAsync(topic('lines'), { qos: 1 })
      await rig.live(3 * 3600)
      await waitFor('every line at the reader', () => got.size === 60, 30)
      expect(rig.faults.standing).toContain('receipt-missing')
    },
    minute,
  )
})

describeWith(['socat', 'mosquitto'], 'the whole program on a link that fails [rig]', () => {
  let rig: FieldRig
  const make = async (options: RigOptions = {}): Promise<FieldRig> => (rig = await FieldRig.make(options))
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))
  const state = (): unknown => rig.retained('alive')?.state

  it(
    'PC-51 what stands on the topic alive is true after each kind of end, a frozen link and a broker that was restarted',
    async () => {
      // Under MQTT 3.1.1 a will has no delay.
      await make({ broker: true, uplink: 'protocol: 4, pack_every_min: 0.05, answer_limit_s: 5' })
      const link = await linkTo(rig.broker!.port)
      rig.writeSettings({
        brokerPort: link.port,
        uplink: 'protocol: 4, pack_every_min: 0.05, answer_limit_s: 5',
      })
      const runs = (words: string, session: number) =>
        waitFor(
          `running ${words}`,
          () => state() === 'running' && rig.retained('alive')?.session === session,
          60,
        )
      rig.feedFrames()
      rig.start()
      await runs('after the start', 1)
      await rig.stop('SIGTERM')
      await waitFor('stopped', () => state() === 'stopped', 30)
      rig.start()
      await runs('after the second start', 2)
      await rig.stop('SIGKILL')
      await waitFor('lost', () => state() === 'lost', 30)
      rig.start()
      await runs('after the third start', 3)
      link.freezeStanding()
      await waitFor('a new connection', () => link.connections >= 4, 60)
      await runs('after the freeze', 3)
      await rig.broker!.restart()
      await runs('after the restart of the broker', 3)
    },
    4 * minute,
  )
})

/** As the unit file starts it, but for the collection of garbage before each look. */
async function waiting(...args: string[]): Promise<string> {
  const script = join(import.meta.dirname, '../support/waiting-lines.mjs')
  const child = spawn(process.execPath, ['--expose-gc', ...nodeFlags, script, ...args], {
    stdio: ['ignore', 'pipe', 'inherit'],
    env: { ...process.env, ...unitEnvironment },
  })
  let said = ''
  child.stdout.on('data', (more: Buffer) => (said += more.toString()))
  const [code] = (await once(child, 'exit')) as [number]
  expect(code).toBe(0)
  return said
}

describe('memory while a link is away [rig]', () => {
  it(
    'PC-55 thirty days of lines that wait a day for a broker cost no more than 5 MB beside one day of lines, also once they have left',
    async () => {
      const folder = mkdtempSync(join(tmpdir(), 'motepost-waiting-'))
      afterwards(() => Promise.resolve(rmSync(folder, { recursive: true })))
      const seen: Record<string, Record<string, number>> = {}
      for (const [name, records] of [
        ['day', '1440'],
        ['month', '43200'],
      ]) {
        await waiting('make', join(folder, name), records)
        seen[name] = JSON.parse(await waiting('measure', join(folder, name))) as Record<string, number>
      }
      const { day, month } = seen
      console.info('RssAnon in kB with a day and with a month of waiting lines:', seen)
      expect(month).toMatchObject({ taken: 43_200, given: 43_200 })
      expect(month.mostInClient).toBeLessThanOrEqual(20)
      expect(month.offline - day.offline).toBeLessThan(5000)
      expect(month.drained - day.drained).toBeLessThan(5000)
      // While all leaves at once the heap breathes: garbage, not lines that are held.
      expect(month.peak - day.peak).toBeLessThan(15_000)
    },
    4 * minute,
  )
})
