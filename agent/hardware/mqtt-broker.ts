/**
 * The Broker port over MQTT 5 or 3.1.1. A new client object for each connection: no reconnecting, no offline queue; what
 * is unanswered when the connection goes is answered 'link-lost' here and stays in the store.
 */
import { createRequire } from 'node:module'
import { connect as connectTcp, isIP, type Socket } from 'node:net'
import { connect as connectTls } from 'node:tls'
import type { IClientOptions, IPublishPacket, MqttClient as MqttClientType } from 'mqtt'
import {
  bad,
  done,
  good,
  type Broker,
  type BrokerEvents,
  type BrokerSession,
  type Fault,
  type Message,
  type Outcome,
} from '../terms/terms.js'
import { withLimit } from './limit.js'
import { connectFault } from './mqtt-faults.js'

// The client alone: the package's front door also loads what browsers and proxies need, 5 MB of it.
const { default: MqttClient } = createRequire(import.meta.url)('mqtt/lib/client') as {
  default: typeof MqttClientType
}
type MqttClient = MqttClientType

export interface MqttOptions {
  readonly host: string
  readonly port: number
  readonly protocol: 5 | 4
  /** Fixed: a session of the same name goes on where it was. */
  readonly clientId: string
  readonly username?: string
  readonly password?: string
  readonly keepaliveSeconds: number
  readonly connectLimitSeconds: number
  /** For each publish. */
  readonly answerLimitSeconds: number
  /** How long the broker keeps the session of an absent client (MQTT 5; 3.1.1 brokers decide themselves). */
  readonly sessionExpirySeconds: number
  readonly tls?: {
    /** PEM texts. Without `ca` the system's list is used. */
    readonly ca?: string
    readonly cert?: string
    readonly key?: string
    /** The name the certificate must have, where it is not the host's. */
    readonly servername?: string
  }
}

export const usualMqtt = {
  protocol: 5,
  keepaliveSeconds: 900,
  connectLimitSeconds: 30,
  answerLimitSeconds: 60,
  sessionExpirySeconds: 7 * 86_400,
} as const

/** For each address of a name that has several; node's own 250 ms is too short for a slow link. */
const perAddressMillis = 8000
/** Together below the time a service manager gives for stopping. */
const farewellLimitSeconds = 2
const endLimitSeconds = 1

type ConnectRequest = Parameters<Broker['connect']>[0]

export function mqttBroker(options: MqttOptions): Broker {
  const name = `${options.host}:${options.port}`
  return { name, connect: (request) => connect(name, options, request) }
}

async function connect(
  name: string,
  options: MqttOptions,
  request: ConnectRequest,
): Promise<Outcome<BrokerSession>> {
  let socket: Socket | undefined
  const client = new MqttClient(() => (socket = openSocket(options)), clientOptions(options, request))
  const link = new Link(name, client, () => socket, options, request.events)
  const limit = options.connectLimitSeconds
  const fault = await withLimit(link.opened(), limit)
  const silence = { code: 'broker-unreachable', detail: `${name}: no answer within ${limit} s` } as const
  const failed: Fault | undefined =
    fault === 'late' ? silence : (fault ?? (await link.subscribe(request.subscribe)))
  if (!failed) return good(link)
  link.drop()
  return { ok: false, fault: failed }
}

function openSocket({ host, port, tls }: MqttOptions): Socket {
  const address = { host, port, noDelay: true, autoSelectFamilyAttemptTimeout: perAddressMillis }
  if (!tls) return connectTcp(address)
  const servername = tls.servername ?? (isIP(host) ? undefined : host)
  const { ca, cert, key } = tls
  return connectTls({ ...address, ca, cert, key, servername, rejectUnauthorized: true })
}

function clientOptions(options: MqttOptions, { will }: ConnectRequest): IClientOptions {
  const five = options.protocol === 5
  return {
    protocolVersion: options.protocol,
    clientId: options.clientId,
    username: options.username,
    password: options.password,
    clean: false,
    keepalive: options.keepaliveSeconds,
    reconnectPeriod: 0,
    connectTimeout: options.connectLimitSeconds * 1000,
    queueQoSZero: false,
    resubscribe: false,
    manualConnect: true,
    ...(five ? { properties: { sessionExpiryInterval: options.sessionExpirySeconds } } : {}),
    ...(will
      ? {
          will: {
            topic: will.topic,
            payload: Buffer.from(will.payload),
            qos: 1,
            retain: will.retain,
            ...(five ? { properties: { willDelayInterval: will.delaySeconds } } : {}),
          },
        }
      : {}),
  }
}

class Link implements BrokerSession {
  private state: 'opening' | 'open' | 'over' = 'opening'
  private lastWords = ''
  private largestPacket = Infinity
  private readonly gone: Promise<'gone'>
  private readonly unanswered = new Set<number>()

  constructor(
    private readonly name: string,
    private readonly client: MqttClient,
    private readonly socket: () => Socket | undefined,
    private readonly options: MqttOptions,
    private readonly events: BrokerEvents,
  ) {
    this.gone = new Promise((resolve) => client.once('close', () => resolve('gone')))
    client.on('error', (error) => (this.lastWords = error.message || this.lastWords))
    client.on(
      'disconnect',
      (packet) => (this.lastWords = `disconnected by the broker, reason ${packet.reasonCode}`),
    )
    client.on('message', (topic, payload, packet) => this.takeMessage(topic, payload, packet))
    client.on('close', () => this.closed())
  }

  /** Resolves with the fault that kept it from opening, or nothing. */
  opened(): Promise<Fault | undefined> {
    const { client, name } = this
    return new Promise((resolve) => {
      client.once('connect', (packet) => {
        this.largestPacket = packet.properties?.maximumPacketSize ?? Infinity
        resolve(undefined)
      })
      client.once('error', (error: Error & { code?: string | number }) => resolve(connectFault(name, error)))
      client.once('close', () =>
        resolve(connectFault(name, { message: this.lastWords || 'closed before an answer' })),
      )
      try {
        client.connect()
        this.socket()?.once('error', (error) => resolve(connectFault(name, error)))
      } catch (error) {
        // A certificate or key that cannot be read throws before anything is sent.
        resolve(connectFault(name, error as Error & { code?: string }))
      }
    })
  }

  async subscribe(filters: readonly string[]): Promise<Fault | undefined> {
    if (filters.length > 0) {
      const asked = this.client.subscribeAsync([...filters], { qos: 1 }).then(
        () => undefined,
        (error: Error) => error.message,
      )
      const answer = await withLimit(Promise.race([asked, this.gone]), this.options.answerLimitSeconds)
      if (answer === 'late')
        return { code: 'broker-silent', detail: `${this.name}: no answer to subscribing` }
      if (answer === 'gone')
        return connectFault(this.name, { message: this.lastWords || 'closed while subscribing' })
      if (answer !== undefined)
        return { code: 'broker-refused', detail: `${this.name}: subscribing to ${filters[0]}: ${answer}` }
    }
    if (this.state === 'over') return connectFault(this.name, { message: this.lastWords || 'closed at once' })
    this.state = 'open'
    return undefined
  }

  async publish(topic: string, payload: Uint8Array, { retain }: { retain: boolean }): Promise<Outcome<void>> {
    if (this.state !== 'open') return bad('link-lost', `${this.name}: the connection is closed`)
    if (payload.length + topic.length + 16 > this.largestPacket)
      return bad(
        'broker-refused',
        `${topic}: ${payload.length} bytes, the broker takes packets of ${this.largestPacket}`,
      )
    const bytes = Buffer.from(payload.buffer, payload.byteOffset, payload.byteLength)
    const sent = this.client.publishAsync(topic, bytes, { qos: 1, retain })
    const id = this.client.getLastMessageId()
    this.unanswered.add(id)
    const outcome = await this.answerTo(sent, topic)
    this.unanswered.delete(id)
    // The client forgets what was not answered: nothing piles up in it, and the id is free again.
    if (!outcome.ok && outcome.fault.code === 'broker-silent') this.client.removeOutgoingMessage(id)
    return outcome
  }

  private async answerTo(sent: Promise<unknown>, topic: string): Promise<Outcome<void>> {
    const limit = this.options.answerLimitSeconds
    const acknowledged = sent.then(
      () => done,
      (error: Error) =>
        this.state === 'open' ? bad('broker-refused', `${topic}: ${error.message}`) : 'gone',
    )
    const answer = await withLimit(Promise.race([acknowledged, this.gone]), limit)
    if (answer === 'late') return bad('broker-silent', `${topic}: no answer within ${limit} s`)
    return answer === 'gone' ? bad('link-lost', `${this.name}: ${this.lastWords || 'closed'}`) : answer
  }

  private takeMessage(topic: string, payload: Buffer, packet: IPublishPacket): void {
    this.events.onMessage({ topic, payload, retained: packet.retain })
  }

  private closed(): void {
    const wasOpen = this.state === 'open'
    this.state = 'over'
    if (wasOpen) this.events.onLost(this.lastWords || 'closed by the other side')
  }

  async end(farewell?: Message): Promise<void> {
    if (this.state !== 'open') return this.drop()
    if (farewell) {
      const said = this.publish(farewell.topic, farewell.payload, { retain: farewell.retained })
      await withLimit(said, farewellLimitSeconds)
    }
    this.state = 'over'
    // With unanswered messages the client would wait for ever before it says goodbye.
    for (const id of this.unanswered) this.client.removeOutgoingMessage(id)
    await withLimit(this.client.endAsync(), endLimitSeconds).catch(() => undefined)
    this.drop()
  }

  /** Lets go of the socket, whatever state it is in. */
  drop(): void {
    this.state = 'over'
    if (!this.socket()) return
    this.socket()?.destroy()
    this.client.end(true)
  }

  bytes(): { sent: number; received: number } {
    const socket = this.socket()
    return { sent: socket?.bytesWritten ?? 0, received: socket?.bytesRead ?? 0 }
  }
}
