/** A real mosquitto with the written configuration, and attempts to break out of it. */
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs'
import { connect as connectTcp, type Socket } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { IClientOptions } from 'mqtt'
import { afterAll, afterEach, beforeAll, expect, it, vi } from 'vitest'
import { brokerConfig, revoke } from '../../agent/cli/broker-config.js'
import { makeAuthority, makeServerCertificate } from '../../agent/cli/broker-config-certs.js'
import { brokerOf } from '../../agent/cli/compose-uplink.js'
import { checkSettingsText } from '../../agent/cli/read-settings.js'
import type { BrokerSession, FaultCode, Outcome, Will } from '../../agent/terms/terms.js'
import { Listening } from '../support/broker-contract.js'
import {
  refusal,
  startConfigured,
  stranger,
  type ConfiguredBroker,
  type Stranger,
} from '../support/configured-broker.js'
import { freePort } from '../support/mosquitto.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 180_000, hookTimeout: 180_000 })

const group = 'slate-hollow'
const base = mkdtempSync(join(tmpdir(), 'motepost-broker-'))
const folder = join(base, 'written')
const now = new Date('2026-11-25T12:00:00Z')
const topic = (station: string, what: string): string => `motepost/1/${group}/${station}/${what}`
const inFolder = (name: string): string => readFileSync(join(folder, name), 'utf8')

function value<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(JSON.stringify(outcome.fault))
  return outcome.value
}
const codeOf = (outcome: Outcome<unknown>): FaultCode | undefined =>
  outcome.ok ? undefined : outcome.fault.code

let port = 0
let broker: ConfiguredBroker
const ends: (() => unknown)[] = []
afterEach(async () => {
  for (const end of ends.splice(0)) await end()
})

function written(options: Parameters<typeof brokerConfig>[1] = {}): string {
  let text = ''
  const out = vi.spyOn(process.stdout, 'write').mockImplementation((part) => ((text += String(part)), true))
  const code = brokerConfig(folder, options, now)
  out.mockRestore()
  expect(code).toBe(0)
  return text
}

function revoked(user: string): number {
  const streams = [process.stdout, process.stderr].map((one) => vi.spyOn(one, 'write').mockReturnValue(true))
  const code = revoke(folder, user)
  for (const stream of streams) stream.mockRestore()
  return code
}

const bundle = (user: string): string => (user.startsWith('_') ? user.slice(1) : `stations/${user}`)

const as = (user: string, more: IClientOptions = {}): IClientOptions => ({
  port,
  ca: inFolder('ca/ca.pem'),
  username: user,
  password: inFolder(`${bundle(user)}/broker-password`).trim(),
  ...more,
})

async function client(user: string, more: IClientOptions = {}): Promise<Stranger> {
  const one = await stranger(as(user, more))
  ends.push(() => one.client.endAsync(true))
  return one
}

/** Hears everything of the group: what does not come to it was not let through. */
async function witness(): Promise<Stranger> {
  const one = await client('_operator')
  await one.client.subscribeAsync(`motepost/1/${group}/#`, { qos: 1 })
  return one
}

/** The way a station takes: the settings lines of its bundle, read by the settings reader. */
async function station(name: string, listening = new Listening(), will?: Will): Promise<BrokerSession> {
  const session = value(
    await brokerAs(name).connect({ subscribe: [topic(name, 'receipt')], will, events: listening.events }),
  )
  ends.push(() => session.end())
  return session
}

function brokerAs(name: string, atPort = port, place = folder) {
  const lines = readFileSync(join(folder, `stations/${name}/uplink.yaml`), 'utf8')
    .replaceAll('/etc/motepost', join(place, 'stations', name))
    .replace(`:${port}\n`, `:${atPort}\n`)
  const text = `version: 1\nstation: { name: ${name}, group: ${group}, time_zone: UTC }\n${lines}
instruments: [{ layout: frames-424d-32, port: /dev/none }]\ndata: { folder: /var/none }\n`
  const read = checkSettingsText(text, 'station.yaml')
  if (!read.ok || read.settings.uplink.mode !== 'mqtt') throw new Error(JSON.stringify(read))
  return value(brokerOf(read.settings.uplink, `motepost-${group}-${name}-0a1b2c3d`))
}

const bytes = (text: string): Uint8Array => Buffer.from(text)
const publishes = async (
  one: Stranger,
  to: string,
  text: string,
  retain = false,
): Promise<number | undefined> => {
  try {
    const answer = await one.client.publishAsync(to, text, { qos: 1, retain })
    return (answer as { reasonCode?: number } | undefined)?.reasonCode
  } catch (error) {
    return (error as { code?: number }).code
  }
}
/** Not authorized (MQTT 5, section 2.4). */
const notAuthorized = 135
/** What came before this has come: one connection's messages keep their order. */
async function settled(one: Stranger, by: BrokerSession): Promise<string[]> {
  const mark = `mark-${Math.floor(Number(process.hrtime.bigint() % 1_000_000_000n))}`
  value(await by.publish(topic('gate', 'lines'), bytes(mark), { retain: false }))
  await waitFor('the mark', () => one.heard.some(({ text }) => text === mark), 60)
  return one.heard.filter(({ text }) => !text.startsWith('mark-')).map((m) => `${m.topic}=${m.text}`)
}

describeWith(['mosquitto', 'openssl'], 'a broker with the written configuration', () => {
  beforeAll(async () => {
    port = await freePort()
    const place = join(folder, 'mosquitto')
    written({ group, host: ['127.0.0.1'], port: String(port), at: place, station: ['gate', 'north-fence'] })
    broker = await startConfigured(base, place)
  })
  afterAll(async () => {
    await broker?.stop()
    rmSync(base, { recursive: true, force: true })
  })

  it('lets a station say what stations say, the collector hear it and answer, and an operator ask', async () => {
    const [collector, operator] = [await client('_collector'), await witness()]
    await collector.client.subscribeAsync(`motepost/1/${group}/+/lines`, { qos: 1 })
    const listening = new Listening()
    const gate = await station('gate', listening)
    for (const what of ['lines', 'averages', 'health', 'alive', 'alerts/dust', 'reply'])
      value(await gate.publish(topic('gate', what), bytes(what), { retain: false }))
    await waitFor('the lines', () => collector.heard.length > 0, 60)
    expect(collector.heard).toEqual([{ topic: topic('gate', 'lines'), text: 'lines' }])
    await waitFor('all of it', () => operator.heard.length === 6, 60)
    expect(await publishes(collector, topic('gate', 'receipt'), 'taken')).not.toBe(notAuthorized)
    await listening.until(() => listening.messages.length > 0)
    expect(listening.texts()).toEqual([`${topic('gate', 'receipt')}=taken`])
    const asked = await client('gate')
    await asked.client.subscribeAsync(topic('gate', 'command'), { qos: 1 })
    expect(await publishes(operator, topic('gate', 'command'), 'health')).not.toBe(notAuthorized)
    await waitFor('the command', () => asked.heard.some(({ text }) => text === 'health'), 60)
  })

  it("lets nothing through that a station says under another one's name, or as collector or operator", async () => {
    const [heard, gate, thief] = [await witness(), await station('gate'), await client('north-fence')]
    const foreign = [
      topic('gate', 'lines'),
      topic('gate', 'alive'),
      topic('gate', 'receipt'),
      topic('north-fence', 'receipt'),
      topic('north-fence', 'command'),
      topic('north-fence', 'else'),
      topic('_collector', 'lines'),
      `motepost/1/other/north-fence/lines`,
      'free/words',
    ]
    for (const to of foreign) expect([to, await publishes(thief, to, 'planted')]).toEqual([to, notAuthorized])
    expect(await settled(heard, gate)).toEqual([])
    // MQTT 3.1.1 has no word for it: only a witness can tell.
    const old = await client('north-fence', { protocolVersion: 4 })
    for (const to of foreign) await publishes(old, to, 'planted')
    expect(await settled(heard, gate)).toEqual([])
  })

  it('keeps what a collector or operator says to its own words', async () => {
    const [heard, gate] = [await witness(), await station('gate')]
    for (const user of ['_collector', '_operator']) {
      const one = await client(user, user === '_operator' ? { clientId: 'another' } : {})
      for (const what of ['lines', 'alive', user === '_operator' ? 'receipt' : 'command'])
        for (const name of ['gate', user])
          expect([user, name, what, await publishes(one, topic(name, what), 'planted')]).toEqual([
            user,
            name,
            what,
            notAuthorized,
          ])
    }
    // The operator above came with the same user: the first witness was sent away, as it should be.
    await waitFor('the first witness to go', () => !heard.client.connected, 60)
    expect(await settled(await witness(), gate)).toEqual([])
  })

  it('lets nobody in without a user, with a wrong password or with the name of another', async () => {
    const password = inFolder('stations/gate/broker-password').trim()
    expect(await refusal(as('gate', { username: undefined, password: undefined }))).toBe(notAuthorized)
    expect(await refusal(as('gate', { password: password.slice(1) }))).toBe(notAuthorized)
    expect(await refusal(as('north-fence', { password }))).toBe(notAuthorized)
    expect(await refusal(as('north-fence', { username: '+', password }))).toBe(notAuthorized)
    expect(await refusal(as('gate'))).toBeUndefined()
  })

  it('speaks TLS only', async () => {
    expect(await refusal(as('gate', { protocol: 'mqtt', connectTimeout: 5000 }))).toBeDefined()
  })

  it('hears nothing of others by a wildcard, whatever it asks for', async () => {
    const gate = await station('gate')
    const ear = await client('north-fence')
    for (const filter of [
      '#',
      `motepost/1/${group}/#`,
      `motepost/+/+/+/lines`,
      topic('gate', '#'),
      '$SYS/#',
      `$share/a/${topic('+', 'lines')}`,
    ])
      await ear.client.subscribeAsync(filter, { qos: 1 }).catch(() => undefined)
    await ear.client.subscribeAsync(topic('north-fence', 'command'), { qos: 1 })
    const operator = await client('_operator')
    value(await gate.publish(topic('gate', 'health'), bytes('private'), { retain: true }))
    value(await gate.publish(topic('gate', 'lines'), bytes('private'), { retain: false }))
    await publishes(operator, topic('gate', 'command'), 'private')
    await publishes(operator, topic('north-fence', 'command'), 'mine')
    await waitFor('its own command', () => ear.heard.some(({ text }) => text === 'mine'), 60)
    expect(new Set(ear.heard.map(({ text }) => text))).toEqual(new Set(['mine']))
    value(await gate.publish(topic('gate', 'health'), bytes(''), { retain: true }))
  })

  it('says no will on a foreign topic, and an own one when the station is lost', async () => {
    const [heard, gate] = [await witness(), await station('gate')]
    const will = (to: string) => ({
      topic: to,
      payload: Buffer.from('by will'),
      qos: 1 as const,
      retain: false,
    })
    const answer = await refusal(as('north-fence', { will: will(topic('gate', 'alive')) }))
    if (answer === undefined) {
      const thief = await client('north-fence', { will: will(topic('gate', 'alive')) })
      thief.client.stream.destroy()
    }
    const lost = await client('north-fence', { will: will(topic('north-fence', 'alive')) })
    lost.client.stream.destroy()
    await waitFor('the own will', () => heard.heard.length > 0, 60)
    expect(await settled(heard, gate)).toEqual([`${topic('north-fence', 'alive')}=by will`])
  })

  it('keeps no retained garbage outside of what a station may say', async () => {
    const thief = await client('north-fence')
    for (const to of [topic('gate', 'receipt'), topic('gate', 'alerts/dust'), 'motepost', '$SYS/x'])
      await publishes(thief, to, 'garbage', true)
    const later = await witness()
    const gate = await station('gate')
    expect((await settled(later, gate)).filter((one) => one.endsWith('=garbage'))).toEqual([])
  })

  it('sends a client away that says too much at once, and goes on with the others', async () => {
    const [heard, gate, loud] = [await witness(), await station('gate'), await client('north-fence')]
    const gone = new Promise<void>((resolve) => loud.client.once('close', () => resolve()))
    const large = 'x'.repeat(1_000_000)
    await publishes(loud, topic('north-fence', 'lines'), large)
    const packet = Buffer.alloc(1_200_000, 'x')
    // Past the client's own care for the broker's limit: the bytes go straight to the socket (MQTT 5, section 3.3).
    loud.client.stream.write(rawPublish(topic('north-fence', 'lines'), packet))
    await gone
    expect((await settled(heard, gate)).map(({ length }) => length)).toEqual([
      large.length + `${topic('north-fence', 'lines')}=`.length,
    ])
  })

  it('gives no session of another user to a client that comes with its id', async () => {
    const [heard, gate] = [await witness(), await station('gate')]
    for (const id of [`motepost-${group}-collector`, `motepost-${group}-gate-0a1b2c3d`, 'gate', '_operator'])
      await client('north-fence', { clientId: id, clean: false })
    expect(await settled(heard, gate)).toEqual([])
    expect(heard.client.connected).toBe(true)
  })

  it('bears a flood of connects: who is in stays in, and others get in after it', async () => {
    const [heard, gate] = [await witness(), await station('gate')]
    const flood: Socket[] = []
    for (let i = 0; i < 400; i++) flood.push(connectTcp(port, '127.0.0.1').on('error', () => undefined))
    const wrong = Array.from({ length: 30 }, () =>
      refusal(as('gate', { password: 'guess', connectTimeout: 20_000 })),
    )
    expect((await Promise.all(wrong)).filter((answer) => answer === undefined)).toEqual([])
    expect(await settled(heard, gate)).toEqual([])
    for (const socket of flood) socket.destroy()
    await waitFor('north-fence to get in', async () => (await refusal(as('north-fence'))) === undefined, 60)
  })

  it('is not taken for another broker: wrong authority, foreign and expired certificates are refused by the station', async () => {
    const events = new Listening().events
    const other = { certFile: join(base, 'other.pem'), keyFile: join(base, 'other.key') }
    expect(makeAuthority(base, other, 'other', now)).toEqual({ ok: true })
    const own = { certFile: join(folder, 'ca/ca.pem'), keyFile: join(folder, 'ca/ca.key') }
    for (const [authority, hosts, until] of [
      [other, ['127.0.0.1'], '20990101000000Z'],
      [own, ['127.0.0.1'], '20200101000000Z'],
      [own, ['broker.example.org'], '20990101000000Z'],
    ] as const) {
      const false_ = await falseBroker(authority, hosts, until)
      ends.push(() => false_.stop())
      expect(codeOf(await brokerAs('gate', false_.port).connect({ subscribe: [], events }))).toBe(
        'broker-certificate',
      )
    }
    writeFileSync(join(folder, 'stations/gate/broker-ca.pem'), readFileSync(other.certFile))
    expect(codeOf(await brokerAs('gate').connect({ subscribe: [], events }))).toBe('broker-certificate')
    written()
    await station('gate')
  })

  it('keeps secrets when a station is added, and takes the way in from one that is revoked', async () => {
    const before = [
      inFolder('stations/gate/broker-password'),
      inFolder('mosquitto/server.pem'),
      inFolder('ca/ca.pem'),
    ]
    const line = inFolder('mosquitto/passwords').split('\n')[2]
    expect(written({ station: ['quarry'] })).toContain('gate, north-fence, quarry')
    expect([
      inFolder('stations/gate/broker-password'),
      inFolder('mosquitto/server.pem'),
      inFolder('ca/ca.pem'),
    ]).toEqual(before)
    expect(inFolder('mosquitto/passwords')).toContain(line)
    await broker.reload()
    await waitFor('quarry to get in', async () => (await refusal(as('quarry'))) === undefined, 60)
    const [quarry, gate] = [await client('quarry'), await station('gate')]
    const login = as('quarry')
    expect([revoked('quarry'), revoked('quarry'), existsSync(join(folder, 'stations/quarry'))]).toEqual([
      0,
      2,
      false,
    ])
    await broker.reload()
    await waitFor('quarry to be sent away', () => !quarry.client.connected, 60)
    expect(await refusal(login)).toBe(notAuthorized)
    value(await gate.publish(topic('gate', 'lines'), bytes('still here'), { retain: false }))
    written({ station: ['quarry'] })
    expect(as('quarry').password).not.toBe(login.password)
    expect(revoked('quarry')).toBe(0)
  })

  it('leaves its files to their owner and no secret in what it prints', () => {
    const names = readdirSync(folder, { recursive: true, encoding: 'utf8' })
    const open = names.filter((name) => {
      const { mode } = statSync(join(folder, name))
      return (mode & 0o077) !== 0
    })
    expect([names.length > 12, open]).toEqual([true, []])
    const said = written({ json: true }) + written()
    for (const user of ['gate', 'north-fence', '_collector', '_operator'])
      expect(said).not.toContain(String(as(user).password))
    const publicTexts =
      inFolder('mosquitto/passwords') + inFolder('mosquitto/motepost.conf') + inFolder('mosquitto/acl')
    expect(publicTexts).not.toContain(String(as('gate').password))
  })
})

function rawPublish(to: string, payload: Buffer): Buffer {
  const name = Buffer.from(to)
  let left = 2 + name.length + 1 + payload.length
  const head = [0x30]
  do {
    head.push((left & 0x7f) | (left > 0x7f ? 0x80 : 0))
    left >>= 7
  } while (left > 0)
  return Buffer.concat([
    Buffer.from([...head, name.length >> 8, name.length & 0xff]),
    name,
    Buffer.from([0]),
    payload,
  ])
}

/** Somebody else's broker at an address of ours. */
async function falseBroker(
  authority: { certFile: string; keyFile: string },
  hosts: readonly string[],
  until: string,
): Promise<{ port: number; stop(): Promise<void> }> {
  const place = mkdtempSync(join(base, 'false-'))
  const files = { certFile: join(place, 'server.pem'), keyFile: join(place, 'server.key') }
  expect(makeServerCertificate(place, { ...files, hosts }, authority, until)).toEqual({ ok: true })
  const at = await freePort()
  const conf = `listener ${at}\ncertfile ${files.certFile}\nkeyfile ${files.keyFile}\nallow_anonymous true\n`
  const included = join(place, 'included')
  mkdirSync(included)
  writeFileSync(join(included, 'false.conf'), conf)
  const running = await startConfigured(place, included)
  return { port: at, stop: () => running.stop() }
}
