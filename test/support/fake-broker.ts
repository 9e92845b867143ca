/**
 * A broker that does what it is told, wrong things above all: MQTT 5 or 3.1.1 as the client asks. What it took stands in
 * `publishes`; it passes on to clients on their own topics only where `echoes` is set.
 */
import { createRequire } from 'node:module'
import type { Socket } from 'node:net'
import { listenOnLoopback } from '../../agent/hardware/tcp-listener.js'

interface Packet {
  readonly cmd: string
  readonly messageId?: number
  readonly topic?: string
  readonly payload?: Buffer
  readonly retain?: boolean
  readonly dup?: boolean
  readonly protocolVersion?: number
  readonly clientId?: string
  readonly subscriptions?: readonly { readonly topic: string }[]
}
interface Parser {
  on(event: 'packet', take: (packet: Packet) => void): void
  on(event: 'error', take: (error: Error) => void): void
  parse(bytes: Buffer): void
}
const require = createRequire(import.meta.url)
// The library that the client itself is built on; it comes with it.
const { parser, generate } = createRequire(require.resolve('mqtt'))('mqtt-packet') as {
  parser(options?: object): Parser
  generate(packet: object, options?: object): Buffer
}

export interface Taken {
  readonly topic: string
  readonly payload: Buffer
  readonly retain: boolean
  readonly connection: number
}

/** 'ack'; a reason code; nothing at all; end the connection; send half of the acknowledgement and end it. */
export type Answer = 'ack' | number | 'nothing' | 'cut' | 'half'

export interface FakeBroker {
  readonly port: number
  readonly publishes: Taken[]
  connections: number
  /** Publishes of one connection that were not acknowledged, at most. */
  mostUnacknowledged: number
  /** Told before each CONNECT is answered. */
  connack: { code: number; properties?: object } | 'nothing'
  answer: (publish: Taken, n: number) => Answer
  /** Gives every message back to a client that subscribed to its topic. */
  echoes: boolean
  /** Ends all connections. */
  cut(): void
  close(): Promise<void>
}

export async function fakeBroker(): Promise<FakeBroker> {
  const sockets = new Set<Socket>()
  const listener = await listenOnLoopback((socket) => {
    sockets.add(socket)
    socket.on('close', () => sockets.delete(socket))
    serve(broker, socket)
  })
  const broker: FakeBroker = {
    port: listener.port,
    publishes: [],
    connections: 0,
    mostUnacknowledged: 0,
    connack: { code: 0 },
    answer: () => 'ack',
    echoes: false,
    cut: () => sockets.forEach((socket) => socket.destroy()),
    close: () => listener.close(),
  }
  return broker
}

function serve(broker: FakeBroker, socket: Socket): void {
  const connection = ++broker.connections
  const filters = new Set<string>()
  let version = 5
  let unacknowledged = 0
  const say = (packet: object): void => {
    if (!socket.destroyed) socket.write(generate(packet, { protocolVersion: version }))
  }
  const take = (packet: Packet): void => {
    const taken = {
      topic: packet.topic!,
      payload: packet.payload!,
      retain: packet.retain === true,
      connection,
    }
    broker.mostUnacknowledged = Math.max(broker.mostUnacknowledged, ++unacknowledged)
    const answer = broker.answer(taken, broker.publishes.push(taken))
    const puback = { cmd: 'puback', messageId: packet.messageId, reasonCode: 0 }
    if (answer === 'cut') return void socket.destroy()
    if (answer === 'half') {
      socket.end(generate(puback, { protocolVersion: version }).subarray(0, 2))
      return
    }
    if (broker.echoes && filters.has(taken.topic))
      say({ cmd: 'publish', topic: taken.topic, payload: taken.payload, qos: 0, retain: false })
    if (answer === 'nothing') return
    unacknowledged--
    say(answer === 'ack' ? puback : { ...puback, reasonCode: answer })
  }
  const handle = (packet: Packet): void => {
    if (packet.cmd === 'connect') {
      version = packet.protocolVersion ?? 5
      if (broker.connack === 'nothing') return
      const { code, properties } = broker.connack
      const codes = version === 5 ? { reasonCode: code, properties } : { returnCode: code }
      say({ cmd: 'connack', sessionPresent: false, ...codes })
      if (code !== 0) socket.end()
    } else if (packet.cmd === 'subscribe') {
      for (const { topic } of packet.subscriptions ?? []) filters.add(topic)
      say({ cmd: 'suback', messageId: packet.messageId, granted: packet.subscriptions!.map(() => 1) })
    } else if (packet.cmd === 'publish') take(packet)
    else if (packet.cmd === 'pingreq') say({ cmd: 'pingresp' })
    else if (packet.cmd === 'disconnect') socket.end()
  }
  const reader = parser()
  reader.on('packet', handle)
  reader.on('error', () => socket.destroy())
  socket.on('data', (bytes: Buffer) => reader.parse(bytes))
}
