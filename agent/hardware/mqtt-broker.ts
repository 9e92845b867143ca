/**
 * The Broker port over MQTT 5 or 3.1.1. A new client object for each connection: no reconnecting, no offline queue; what
 * is unanswered when the connection goes is answered 'link-lost' here and stays in the store.
 */
import { createRequire } from 'node:module'
import type { LookupFunction, Socket } from 'node:net'
import { networkInterfaces } from 'node:os'
import type { IPublishPacket, MqttClient as MqttClientType } from 'mqtt'
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
  type PublishOptions,
} from '../terms/terms.js'
import { withLimit } from './limit.js'
import { Acknowledgements } from './mqtt-acks.js'
import { connectFault } from './mqtt-faults.js'
import { clientOptions, openSocket, type MqttOptions } from './mqtt-options.js'
import { publishFaultCode, reasonWords } from './mqtt-reasons.js'
import { rememberingLookup } from './name-lookup.js'
import { Slots } from './slots.js'

export { usualMqtt, type MqttOptions } from './mqtt-options.js'

// The client alone: the package's front door also loads what browsers and proxies need, 5 MB of it.
const { default: MqttClient } = createRequire(import.meta.url)('mqtt/lib/client') as {
  default: typeof MqttClientType
}
type MqttClient = MqttClientType

/** Handed to the client at one time, or fewer where the broker says so. */
const mostInFlight = 20
/** Together below the time a service manager gives for stopping. */
const farewellLimitSeconds = 2
const endLimitSeconds = 1

type ConnectRequest = Parameters<Broker['connect']>[0]

export function mqttBroker(options: MqttOptions): Broker {
  const name = `${options.host}:${options.port}`
  const lookup = rememberingLookup(options.resolve, options.lookupLimitSeconds)
  return { name, connect: (request) => connect(name, options, lookup, request) }
}

async function connect(
  name: string,
  options: MqttOptions,
  lookup: LookupFunction,
  request: ConnectRequest,
): Promise<Outcome<BrokerSession>> {
  let socket: Socket | undefined
  const open = () => (socket = openSocket(options, lookup))
  const client = new MqttClient(open, clientOptions(options, request.will))
  const link = new Link(name, client, () => socket, options, request.events)
  const limit = options.connectLimitSeconds
  const fault = await withLimit(link.opened(), limit)
  const silence = { code: 'broker-unreachable', detail: `${name}: no answer within ${limit} s` } as const
  const failed: Fault | undefined = fault === 'late' ? silence : (fault ?? (await link.subscribe(request)))
  if (!failed) return good(link)
  link.drop()
  return { ok: false, fault: failed }
}

class Link implements BrokerSession {
  private state: 'opening' | 'open' | 'over' = 'opening'
  private lastWords = ''
  private largestPacket = Infinity
  private keepsRetained = true
  private slots = new Slots(mostInFlight)
  hasWish = false
  hearsCommands = false
  private readonly gone: Promise<'gone'>
  private readonly acknowledgements: Acknowledgements
  private readonly unanswered = new Set<number>()

  constructor(
    private readonly name: string,
    private readonly client: MqttClient,
    private readonly socket: () => Socket | undefined,
    private readonly options: MqttOptions,
    private readonly events: BrokerEvents,
  ) {
    this.gone = new Promise((resolve) => client.once('close', () => resolve('gone')))
    this.acknowledgements = new Acknowledgements(client, (bytes) => {
      // What waited at the broker comes before the answer to our subscribing.
      if (this.state !== 'over') this.socket()?.write(bytes)
    })
    client.on('error', (error) => (this.lastWords = error.message || this.lastWords))
    client.on('disconnect', ({ reasonCode = 128 }) => {
      this.lastWords = `disconnected by the broker: ${reasonWords(reasonCode)} (${reasonCode})`
    })
    client.on('message', (topic, payload, packet) => this.takeMessage(topic, payload, packet))
    client.on('close', () => this.closed())
  }

  /** Resolves with the fault that kept it from opening, or nothing. */
  opened(): Promise<Fault | undefined> {
    const { client, name } = this
    return new Promise((resolve) => {
      client.once('connect', ({ properties = {} }) => {
        this.largestPacket = properties.maximumPacketSize ?? Infinity
        this.keepsRetained = (properties.retainAvailable as unknown) !== false
        this.slots = new Slots(Math.min(mostInFlight, properties.receiveMaximum ?? mostInFlight))
        resolve(properties.maximumQoS === 0 ? connectFault(name, { code: 155 }) : undefined)
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

  async subscribe({ subscribe, wish, commands }: ConnectRequest): Promise<Fault | undefined> {
    if (wish !== undefined) this.hasWish = (await this.ask([wish])) === undefined
    if (commands !== undefined) this.hearsCommands = (await this.ask([commands])) === undefined
    const fault = await this.ask(subscribe)
    if (fault) return fault
    if (this.state === 'over') return connectFault(this.name, { message: this.lastWords || 'closed at once' })
    this.state = 'open'
    return undefined
  }

  private async ask(filters: readonly string[]): Promise<Fault | undefined> {
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
    return undefined
  }

  async publish(topic: string, payload: Uint8Array, publishing: PublishOptions): Promise<Outcome<void>> {
    if (payload.length + topic.length + 16 > this.largestPacket)
      return bad(
        'broker-refused',
        `${topic}: ${payload.length} bytes, the broker takes packets of ${this.largestPacket}`,
      )
    const { slots } = this
    const place = slots.take()
    const turn = await withLimit(Promise.race([place, this.gone]), this.options.answerLimitSeconds)
    if (turn === 'late') {
      void place.then(() => slots.give())
      return bad('broker-silent', `${topic}: earlier messages are not answered`)
    }
    if (this.state !== 'open') return this.lost()
    const answer = await this.send(topic, payload, publishing)
    // What was not answered still counts at the broker's side until the connection ends.
    if (answer.ok || answer.fault.code !== 'broker-silent') slots.give()
    return answer
  }

  private async send(topic: string, payload: Uint8Array, publishing: PublishOptions): Promise<Outcome<void>> {
    const retain = publishing.retain && this.keepsRetained
    const properties = this.options.protocol === 5 ? responseProperties(publishing) : undefined
    const sent = this.client.publishAsync(topic, bufferOf(payload), { qos: 1, retain, properties })
    const id = this.client.getLastMessageId()
    this.unanswered.add(id)
    const outcome = await this.answerTo(sent, topic)
    this.unanswered.delete(id)
    // The client forgets what was not answered: nothing piles up in it, and the id is free again.
    if (!outcome.ok && outcome.fault.code === 'broker-silent') this.client.removeOutgoingMessage(id)
    return outcome
  }

  private lost(): Outcome<never> {
    return bad('link-lost', `${this.name}: ${this.lastWords || 'the connection is closed'}`)
  }

  private async answerTo(sent: Promise<unknown>, topic: string): Promise<Outcome<void>> {
    const limit = this.options.answerLimitSeconds
    const acknowledged = sent.then(
      () => done,
      (error: PublishError) => (this.state === 'open' ? refused(topic, error) : 'gone'),
    )
    const answer = await withLimit(Promise.race([acknowledged, this.gone]), limit)
    if (answer === 'gone') return this.lost()
    if (answer !== 'late') return answer
    if (!this.hasLostAddress()) return bad('broker-silent', `${topic}: no answer within ${limit} s`)
    this.lastWords = 'this board has another address now'
    this.socket()?.destroy()
    return this.lost()
  }

  /** Another interface or a new address: nothing sent over this connection can come back. Looked at only after a silence. */
  private hasLostAddress(): boolean {
    const own = this.socket()?.localAddress?.replace(/^::ffff:/, '')
    return own !== undefined && !(this.options.ownAddresses ?? systemAddresses)().includes(own)
  }

  private takeMessage(topic: string, payload: Buffer, packet: IPublishPacket): void {
    // Of a property that is cut short the library makes null, of one that comes twice a list: nobody can be answered by those.
    const { responseTopic: answerTo, correlationData } = packet.properties ?? {}
    const responseTopic = typeof answerTo === 'string' ? answerTo : undefined
    const correlation = Buffer.isBuffer(correlationData) ? correlationData : undefined
    const message = { topic, payload, retained: packet.retain, responseTopic, correlation }
    this.acknowledgements.taken(this.events.onMessage(message))
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

const bufferOf = (bytes: Uint8Array): Buffer => Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength)

/** The client cannot write a property that is there and undefined. */
const responseProperties = ({ responseTopic, correlation }: PublishOptions) => ({
  ...(responseTopic === undefined ? {} : { responseTopic }),
  ...(correlation === undefined ? {} : { correlationData: bufferOf(correlation) }),
})

const systemAddresses = (): readonly string[] =>
  Object.values(networkInterfaces()).flatMap((all) => (all ?? []).map(({ address }) => address))

type PublishError = Error & { readonly code?: number }

const refused = (topic: string, { code, message }: PublishError): Outcome<never> =>
  typeof code === 'number'
    ? bad(publishFaultCode(code), `${topic}: ${reasonWords(code)} (${code})`)
    : bad('broker-refused', `${topic}: ${message}`)
