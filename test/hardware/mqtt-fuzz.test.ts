/**
 * A broker that says anything: what comes over the link before any of it is a message. The client is the library's; what ours holds
 * is that nothing escapes it as an exception, each connection ends as a fault or a session, and no more is gathered than is taken.
 */
import { createServer, type Server, type Socket } from 'node:net'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { mqttBroker, usualMqtt } from '../../agent/hardware/mqtt-broker.js'
import { largestPacketBytes, PacketGuard } from '../../agent/hardware/mqtt-guard.js'
import type { Message } from '../../agent/terms/terms.js'
import { must, throughAll, throughAllInTurn, Mutations } from '../support/mutations.js'

type Protocol = 4 | 5

/** A packet with its fixed header (MQTT 5, 2.1). */
function packet(type: number, body: Uint8Array): Buffer {
  const length: number[] = []
  for (let left = body.length; ;) {
    length.push((left % 128) + (left >= 128 ? 128 : 0))
    left = Math.floor(left / 128)
    if (left === 0) break
  }
  return Buffer.concat([Uint8Array.of(type, ...length), body])
}

const text = (words: string): Buffer => {
  const bytes = Buffer.from(words)
  return Buffer.concat([Uint8Array.of(bytes.length >> 8, bytes.length & 255), bytes])
}
/** Correlation data, a user property, a response topic (3.3.2.3). */
const properties = Buffer.concat([
  ...[Uint8Array.of(9), text('abc'), Uint8Array.of(38), text('a'), text('b'), Uint8Array.of(8), text('r')],
])
const withProperties = (protocol: Protocol, some: Uint8Array): Uint8Array =>
  protocol === 5 ? Buffer.concat([Uint8Array.of(some.length), some]) : new Uint8Array(0)

/** What a broker says after CONNECT, each but for the identifier of what it answers. */
const said = (protocol: Protocol, id: readonly number[]) => ({
  connack: packet(
    0x20,
    Buffer.concat([Uint8Array.of(0, 0), withProperties(protocol, Uint8Array.of(33, 0, 20, 39, 0, 1, 0, 0))]),
  ),
  suback: packet(
    0x90,
    Buffer.concat([Uint8Array.from(id), withProperties(protocol, new Uint8Array(0)), Uint8Array.of(1)]),
  ),
  publish: packet(
    0x32,
    Buffer.concat([
      text('motepost/1/g/s/command'),
      Uint8Array.of(0, 7),
      withProperties(protocol, properties),
      Buffer.from('{"v":1}'),
    ]),
  ),
  puback: packet(0x40, Uint8Array.from(id)),
  others: Buffer.concat([
    packet(0xd0, new Uint8Array(0)),
    packet(0xe0, protocol === 5 ? Uint8Array.of(0x8b, 0) : new Uint8Array(0)),
  ]),
})

interface Talk {
  readonly protocol: Protocol
  readonly connack: Buffer
  /** Behind the answer to the first SUBSCRIBE and to the first PUBLISH. */
  readonly after: readonly [Buffer, Buffer]
  readonly spoils: 'nothing' | 'suback' | 'puback'
}

function talkOf(mutations: Mutations): Talk {
  const protocol = mutations.of([4, 5] as const)
  const { connack, suback, publish, puback, others } = said(protocol, [0, 1])
  const bits = [suback, publish, publish, puback, others]
  const some = (): Buffer =>
    Buffer.concat(
      Array.from({ length: mutations.pick(3) }, () =>
        mutations.once(3) ? publish : mutations.bent(mutations.of(bits), publish),
      ),
    )
  return {
    protocol,
    connack: mutations.once(3) ? mutations.bent(connack, publish) : connack,
    after: [some(), some()],
    spoils: mutations.of(['nothing', 'nothing', 'suback', 'puback'] as const),
  }
}

/** One answer to each first packet of a kind, then the end. */
function speak(socket: Socket, talk: Talk, mutations: () => Mutations): void {
  let stage = 0
  socket.on('error', () => undefined)
  socket.on('data', (bytes: Buffer) => {
    const type = bytes[0] >> 4
    if (type === 1 && stage === 0) {
      stage = 1
      socket.write(talk.connack)
      if (talk.connack.length === 0) socket.end()
    } else if (type === 8 && stage === 1) {
      stage = 2
      const { suback } = said(talk.protocol, [...bytes.subarray(2, 4)])
      socket.write(
        Buffer.concat([talk.spoils === 'suback' ? mutations().bent(suback) : suback, talk.after[0]]),
      )
    } else if (type === 3 && stage === 2) {
      const at = 2 + 2 + bytes.readUInt16BE(2)
      const { puback } = said(talk.protocol, [...bytes.subarray(at, at + 2)])
      socket.end(Buffer.concat([talk.spoils === 'puback' ? mutations().bent(puback) : puback, talk.after[1]]))
    }
    // Who was answered with what is no answer waits: it is not waited for.
    setTimeout(() => socket.end(), 30)
  })
}

describe('a broker that says anything', () => {
  let server: Server
  let port = 0
  let serve: (socket: Socket) => void = () => undefined
  beforeEach(async () => {
    server = createServer((socket) => serve(socket))
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    port = (server.address() as { port: number }).port
  })
  afterEach(() => new Promise<void>((resolve) => server.close(() => resolve())))

  const connect = (protocol: Protocol, onMessage: (message: Message) => void) => {
    let lost: (why: string) => void = () => undefined
    const ended = new Promise<string>((resolve) => (lost = resolve))
    const options = {
      ...usualMqtt,
      host: '127.0.0.1',
      port,
      clientId: 's',
      protocol,
      connectLimitSeconds: 2,
      answerLimitSeconds: 2,
    }
    const connected = mqttBroker(options).connect({
      subscribe: ['motepost/1/g/s/command'],
      events: { onMessage, onLost: lost },
    })
    return { connected, ended }
  }

  it('is a fault or a session, and a message of it one with its bytes', async () => {
    const ends = await throughAllInTurn({
      what: 'brokers',
      inputs: 600,
      make: (mutations) => ({ talk: talkOf(mutations), mutations }),
      hold: async ({ talk, mutations }) => {
        serve = (socket) => speak(socket, talk, () => mutations)
        let messages = 0
        const { connected, ended } = connect(talk.protocol, (message) => {
          messages++
          holdsMessage(message)
        })
        const outcome = await connected
        if (!outcome.ok) {
          must(/^broker-/.test(outcome.fault.code), outcome.fault.code)
          must(outcome.fault.detail.length < 500, outcome.fault.detail)
          return outcome.fault.code
        }
        const sent = await outcome.value.publish('motepost/1/g/s/health', Buffer.from('{}'), {
          retain: false,
        })
        await ended
        await outcome.value.end()
        return `${sent.ok ? 'sent' : sent.fault.code}${messages > 0 ? ', and a message came' : ''}`
      },
    })
    expect(ends.size).toBeGreaterThan(4)
  })

  it.each([
    ['cut short', Uint8Array.of(9, 0, 200)],
    ['there twice', Buffer.concat([properties, properties])],
    ['a response topic that is cut short', Uint8Array.of(8, 0, 200)],
  ])('sends properties that are no one’s, %s: the message comes without them', async (_, some) => {
    const body = Buffer.concat([text('motepost/1/g/s/command'), Uint8Array.of(0, 7)])
    const talk: Talk = {
      ...{ protocol: 5, connack: said(5, []).connack, spoils: 'nothing' },
      after: [
        packet(0x32, Buffer.concat([body, withProperties(5, some), Buffer.from('{}')])),
        Buffer.alloc(0),
      ],
    }
    serve = (socket) => speak(socket, talk, () => new Mutations(1))
    const messages: Message[] = []
    const { connected, ended } = connect(5, (message) => void messages.push(message))
    const outcome = await connected
    expect(outcome.ok).toBe(true)
    await ended
    expect(messages).toHaveLength(1)
    expect(messages[0].correlation).toBeUndefined()
    expect(messages[0].responseTopic).toBeUndefined()
  })

  it.each([4, 5] as const)('is left before more is gathered than is taken (MQTT %i)', async (protocol) => {
    let bytesSent = 0
    serve = (socket) => {
      const { connack } = said(protocol, [0, 0])
      socket.on('error', () => undefined)
      socket.once('data', () => {
        socket.write(Buffer.concat([connack, Uint8Array.of(0x30, 0xff, 0xff, 0xff, 0x7f)]))
        const pour = (): void => {
          while (!socket.destroyed && socket.write(Buffer.alloc(65_536))) bytesSent += 65_536
        }
        socket.on('drain', pour)
        pour()
      })
    }
    const { connected } = connect(protocol, () => undefined)
    const outcome = await connected
    expect(outcome).toMatchObject({ ok: false, fault: { code: expect.stringMatching(/^broker-/) as string } })
    expect(outcome.ok ? '' : outcome.fault.detail).toContain('268435455 bytes')
    // What lies in the buffers of the kernel, and not the 256 MB that were promised.
    expect(bytesSent).toBeLessThan(16 << 20)
  })
})

describe('the look at each packet', () => {
  it('comes to the same in whatever pieces the bytes come, and lets nothing larger by', () => {
    const { connack, suback, publish, others } = said(5, [0, 1])
    const whole = Buffer.concat([connack, suback, publish, publish, others])
    const ends = throughAll({
      what: 'streams of packets',
      inputs: 20_000,
      make: (mutations) => {
        const bytes = mutations.once(10) ? whole : mutations.bent(whole)
        const cuts = Array.from({ length: mutations.pick(6) }, () => mutations.pick(bytes.length + 1)).sort(
          (a, b) => a - b,
        )
        return { bytes, cuts: [0, ...cuts, bytes.length] }
      },
      hold: ({ bytes, cuts }) => {
        const most = 60
        const atOnce = new PacketGuard(most).take(bytes)
        const inPieces = new PacketGuard(most)
        let told: string | undefined
        for (let i = 1; i < cuts.length && told === undefined; i++)
          told = inPieces.take(bytes.subarray(cuts[i - 1], cuts[i]))
        must(told === atOnce, `${told} in pieces, ${atOnce} at once`)
        if (atOnce === undefined) must(longestIn(bytes) <= most, 'a packet that is too large went by')
        return atOnce === undefined ? 'goes on' : 'ends'
      },
    })
    expect(ends.get('goes on')).toBeGreaterThan(1000)
    expect(ends.get('ends')).toBeGreaterThan(1000)
  })
})

function holdsMessage({ topic, payload, responseTopic, correlation }: Message): void {
  must(typeof topic === 'string' && payload.length <= largestPacketBytes, 'no message')
  must(responseTopic === undefined || typeof responseTopic === 'string', 'no response topic')
  must(correlation === undefined || Buffer.isBuffer(correlation), 'no correlation data')
}

/** The largest length that stands in a stream of whole packets, worked out otherwise. */
function longestIn(bytes: Buffer): number {
  let longest = 0
  for (let at = 0; at < bytes.length;) {
    let [length, size] = [0, 0]
    do {
      if (at + 1 + size >= bytes.length) return longest
      length += (bytes[at + 1 + size] & 127) << (7 * size)
    } while (bytes[at + 1 + size++] & 128)
    longest = Math.max(longest, length)
    at += 1 + size + length
  }
  return longest
}
