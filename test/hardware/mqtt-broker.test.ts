import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join as path } from 'node:path'
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest'
import { mqttBroker, usualMqtt, type MqttOptions } from '../../agent/hardware/mqtt-broker.js'
import { connectFault } from '../../agent/hardware/mqtt-faults.js'
import { listenOnLoopback } from '../../agent/hardware/tcp-listener.js'
import { startEmbeddedBroker } from '../../agent/simulation/embedded-broker.js'
import type { Fault } from '../../agent/terms/terms.js'
import { bytes, join, Listening } from '../support/broker-contract.js'
import { faultyLink } from '../support/faulty-link.js'
import {
  freePort,
  hasMosquitto,
  hasOpenssl,
  passwordFile,
  selfSigned,
  startMosquitto,
  type Certificate,
  type Mosquitto,
} from '../support/mosquitto.js'

const folder = mkdtempSync(path(tmpdir(), 'mqtt-test-'))
const closing: (() => Promise<void>)[] = []
const afterwards = (close: () => Promise<void>): void => void closing.push(close)
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close()
})
afterAll(() => rmSync(folder, { recursive: true, force: true }))

const to = (port: number, more: Partial<MqttOptions> = {}) =>
  mqttBroker({ ...usualMqtt, host: '127.0.0.1', port, clientId: 'st-1', ...more })

async function faultOf(port: number, more: Partial<MqttOptions> = {}): Promise<Fault> {
  const outcome = await to(port, more).connect({ subscribe: [], events: new Listening().events })
  if (outcome.ok) {
    await outcome.value.end()
    throw new Error('it connected')
  }
  return outcome.fault
}

/** A port that does with a connection whatever a test wants. */
async function port(onConnection: Parameters<typeof listenOnLoopback>[0]): Promise<number> {
  const listener = await listenOnLoopback(onConnection)
  afterwards(() => listener.close())
  return listener.port
}

describe('connecting without success', () => {
  it('tells a port where nobody listens from a broker that is out of reach, and names host and port', async () => {
    const free = await freePort()
    const fault = await faultOf(free)
    expect(fault.code).toBe('broker-down')
    expect(fault.detail).toContain(`127.0.0.1:${free}`)
    expect(fault.detail).toContain('ECONNREFUSED')
  })

  it('calls a name that does not exist unreachable', async () => {
    const fault = await faultOf(1883, { host: 'broker.invalid' })
    expect(fault.code).toBe('broker-unreachable')
    expect(fault.detail).toContain('broker.invalid:1883')
  })

  it('gives up on a port that takes the connection and never answers', async () => {
    const fault = await faultOf(await port(() => undefined), { connectLimitSeconds: 0.2 })
    expect(fault.code).toBe('broker-unreachable')
    expect(fault.detail).toMatch(/no answer|connack timeout/)
  })

  it('calls a port that closes at once, or answers with something else, unreachable', async () => {
    expect((await faultOf(await port((socket) => socket.destroy()))).code).toBe('broker-unreachable')
    const web = await port((socket) => socket.end('HTTP/1.1 400 Bad Request\r\n\r\n'))
    expect((await faultOf(web)).code).toBe('broker-unreachable')
  })

  it('calls a reset during the handshake unreachable', async () => {
    const resetting = await port((socket) => socket.once('data', () => socket.resetAndDestroy()))
    expect((await faultOf(resetting)).code).toBe('broker-unreachable')
    expect((await faultOf(resetting, { tls: {} })).code).toBe('broker-unreachable')
  })

  it('says so when there is no TLS at the port', async () => {
    const plain = await port((socket) => socket.once('data', () => socket.write('not a handshake')))
    const fault = await faultOf(plain, { tls: {} })
    expect(fault).toMatchObject({
      code: 'broker-unreachable',
      detail: expect.stringContaining('does not speak TLS'),
    })
  })

  it('refuses a CA that cannot be read as a certificate fault', async () => {
    const fault = await faultOf(await port(() => undefined), {
      tls: { ca: 'not a certificate', cert: 'x', key: 'y' },
    })
    expect(fault.code).toBe('broker-certificate')
  })

  it('calls the refused login of a 3.1.1 broker that, without the password in the text', async () => {
    const broker = await startEmbeddedBroker(listenOnLoopback, { username: 'st', password: 'right' })
    afterwards(() => broker.close())
    const fault = await faultOf(broker.port, { protocol: 4, username: 'st', password: 'secret-but-wrong' })
    expect(fault.code).toBe('broker-refused-login')
    expect(JSON.stringify(fault)).not.toContain('secret-but-wrong')
    const { session } = await join(to(broker.port, { protocol: 4, username: 'st', password: 'right' }))
    await session.end()
  })

  it('refuses an MQTT 5 client at a 3.1.1 broker with a fault, not an exception', async () => {
    const broker = await startEmbeddedBroker(listenOnLoopback)
    afterwards(() => broker.close())
    expect((await faultOf(broker.port, { protocol: 5 })).code).toMatch(/^broker-(refused|unreachable)$/)
  })

  // MQTT 3.1.1 section 3.2.2.3 and MQTT 5 section 3.2.2.2, through the reference's list of codes.
  it.each([
    [4, 'broker-refused-login'],
    [5, 'broker-refused-login'],
    [134, 'broker-refused-login'],
    [135, 'broker-refused-login'],
    [2, 'broker-refused'],
    [137, 'broker-refused'],
    ['ETIMEDOUT', 'broker-unreachable'],
    ['ECONNREFUSED', 'broker-down'],
    ['CERT_NOT_YET_VALID', 'broker-certificate'],
    ['UNABLE_TO_GET_ISSUER_CERT_LOCALLY', 'broker-certificate'],
    ['ERR_TLS_CERT_ALTNAME_INVALID', 'broker-certificate'],
  ])('takes code %s as %s', (code, expected) => {
    expect(connectFault('b:1', { code, message: 'm' }).code).toBe(expected)
  })
})

describe.runIf(hasMosquitto)('a real MQTT 5 broker with passwords', () => {
  let broker: Mosquitto
  beforeAll(async () => {
    const acl = path(folder, 'acl')
    writeFileSync(acl, 'user st-1\ntopic readwrite open/#\n')
    broker = await startMosquitto({
      passwordFile: passwordFile(folder, 'st-1', 'right'),
      config: [`acl_file ${acl}`, 'max_packet_size 50000'],
    })
  })
  afterAll(() => broker.remove())
  const right = { username: 'st-1', password: 'right' }

  it('refuses a wrong password as such', async () => {
    const fault = await faultOf(broker.port, { username: 'st-1', password: 'secret-but-wrong' })
    expect(fault.code).toBe('broker-refused-login')
    expect(fault.detail).not.toContain('secret-but-wrong')
  })

  it('refuses a message to a topic without right, and takes the next one', async () => {
    const { session } = await join(to(broker.port, right))
    const refused = await session.publish('closed/x', bytes('x'), { retain: false })
    expect(refused).toMatchObject({ ok: false, fault: { code: 'broker-denied' } })
    expect((await session.publish('open/x', bytes('x'), { retain: false })).ok).toBe(true)
    await session.end()
  })

  it('refuses a message larger than the broker takes without losing the connection', async () => {
    const { session, heard } = await join(to(broker.port, right))
    const refused = await session.publish('open/x', new Uint8Array(60_000), { retain: false })
    expect(refused).toMatchObject({ ok: false, fault: { code: 'broker-refused' } })
    expect((await session.publish('open/x', bytes('x'), { retain: false })).ok).toBe(true)
    expect(heard.lost).toEqual([])
    await session.end()
  })
})

describe.runIf(hasMosquitto && hasOpenssl)('a real broker with TLS', () => {
  const brokers: Mosquitto[] = []
  const certificate: Record<string, Certificate> = {}
  const ca = (name: string): string => readFileSync(certificate[name].certFile, 'utf8')
  const at: Record<string, number> = {}
  beforeAll(async () => {
    certificate.localhost = selfSigned(folder, 'localhost')
    certificate.expired = selfSigned(folder, 'expired', { from: '20000101000000Z', to: '20010101000000Z' })
    certificate.future = selfSigned(folder, 'future', { from: '20980101000000Z', to: '20990101000000Z' })
    for (const name of Object.keys(certificate)) {
      const broker = await startMosquitto({ tls: certificate[name] })
      brokers.push(broker)
      at[name] = broker.port
    }
  })
  afterAll(() => Promise.all(brokers.map((broker) => broker.remove())))

  it('connects when the certificate is known and of the right name', async () => {
    const { session } = await join(
      to(at.localhost, { tls: { ca: ca('localhost'), servername: 'localhost' } }),
    )
    expect((await session.publish('x', bytes('x'), { retain: false })).ok).toBe(true)
    await session.end()
  })

  it('refuses a self-signed certificate that it does not know', async () => {
    const fault = await faultOf(at.localhost, { tls: { servername: 'localhost' } })
    expect(fault).toMatchObject({ code: 'broker-certificate', detail: expect.stringMatching(/self.signed/) })
  })

  it('refuses a known certificate of another name', async () => {
    const fault = await faultOf(at.localhost, { tls: { ca: ca('localhost'), servername: 'elsewhere' } })
    expect(fault).toMatchObject({ code: 'broker-certificate', detail: expect.stringMatching(/altname/i) })
  })

  it.each(['expired', 'future'])(
    'refuses one that is %s by the clock, and asks whether the clock is right',
    async (name) => {
      const fault = await faultOf(at[name], { tls: { ca: ca(name), servername: name } })
      expect(fault).toMatchObject({ code: 'broker-certificate', detail: expect.stringContaining('clock') })
    },
  )
})

describe.runIf(hasMosquitto)('a link that goes bad', () => {
  let broker: Mosquitto
  beforeAll(async () => {
    broker = await startMosquitto()
  })
  afterAll(() => broker.remove())
  const link = async () => {
    const made = await faultyLink(broker.port)
    afterwards(() => made.close())
    return made
  }

  it('answers a publish within its limit when the link is frozen, and the client keeps nothing of it', async () => {
    const frozen = await link()
    const { session } = await join(to(frozen.port, { clientId: 'frozen', answerLimitSeconds: 0.2 }))
    frozen.freeze()
    for (let i = 0; i < 5; i++)
      expect(await session.publish('x', bytes('x'), { retain: false })).toMatchObject({
        fault: { code: 'broker-silent' },
      })
    frozen.thaw()
    expect((await session.publish('x', bytes('x'), { retain: false })).ok).toBe(true)
    await session.end()
  })

  it('answers what is in flight as lost when the link is cut, once', async () => {
    const cut = await link()
    const { session, heard } = await join(to(cut.port, { clientId: 'cut' }))
    cut.freeze()
    const answers = Promise.all(
      ['1', '2'].map((words) => session.publish('x', bytes(words), { retain: false })),
    )
    cut.cut()
    for (const answer of await answers)
      expect(answer).toMatchObject({ ok: false, fault: { code: 'link-lost' } })
    await heard.until(() => heard.lost.length > 0)
    expect(heard.lost).toHaveLength(1)
    await session.end()
  })

  it('ends in bounded time with unanswered messages on a frozen link', async () => {
    const frozen = await link()
    const { session } = await join(to(frozen.port, { clientId: 'ending' }))
    frozen.freeze()
    const answer = session.publish('x', bytes('x'), { retain: false })
    await session.end({ topic: 'x', payload: bytes('bye'), retained: false })
    expect(await answer).toMatchObject({ ok: false, fault: { code: 'link-lost' } })
  })

  it('keeps a delayed will back when the client returns in time', async () => {
    const flaky = await link()
    const { session: reader, heard } = await join(to(broker.port, { clientId: 'reader' }), ['will/#'])
    const will = { topic: 'will/st', payload: bytes('lost'), retain: false, delaySeconds: 30 }
    const first = await join(to(flaky.port, { clientId: 'flaky' }), [], will)
    flaky.cut()
    await first.heard.until(() => first.heard.lost.length > 0)
    const { session } = await join(to(flaky.port, { clientId: 'flaky' }), [], will)
    await session.end()
    await reader.publish('will/after', bytes('after'), { retain: false })
    await heard.until(() => heard.messages.length > 0)
    expect(heard.texts()).toEqual(['will/after=after'])
    await reader.end()
  })

  it('tells of a broker that stops, and connects again after it is back', async () => {
    const own = await startMosquitto()
    afterwards(() => own.remove())
    const { heard } = await join(to(own.port))
    await own.stop()
    await heard.until(() => heard.lost.length > 0)
    expect((await faultOf(own.port)).code).toBe('broker-down')
    await own.start()
    const { session } = await join(to(own.port))
    await session.end()
  })
})
