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
  type Will,
} from '../terms/terms.js'

type ConnectRequest = Parameters<Broker['connect']>[0]

/** What can be made to go wrong; all of it may be changed while connections stand. */
export interface BrokerTrouble {
  /** Answers every connect. */
  refuseConnect?: Fault
  /** So many publishes are taken but never acknowledged; the sender's limit passes at once. */
  swallowAcknowledgements: number
  /** So many publishes are acknowledged and thrown away. */
  discard: number
  /** Refuses a publish, as MQTT 5 does with a reason code: true is 'broker-refused'. */
  refusePublish?: (topic: string, payload: Uint8Array) => boolean | 'broker-full' | 'broker-denied'
  /** Refuses to let a client hear what it would like to. */
  refuseWish?: boolean
  /** The same of its commands. */
  refuseCommands?: boolean
  /** Loses the connection before a publish is taken. */
  cutAtPublish?: (topic: string, payload: Uint8Array) => boolean
}

/** What is kept for a client that is away; of more the oldest are dropped, as brokers do. */
const mostQueued = 10_000

interface Client {
  readonly subscriptions: Set<string>
  readonly queue: Message[]
  /** Delivered, and not acknowledged: they come again with the next connection. */
  readonly unacknowledged: Set<Message>
  connection?: MemorySession
}

/**
 * A broker in memory that passes the contract of the real ones: QoS 1, retained messages, persistent sessions, wills.
 * It has no clock: a will that is delayed waits for `releaseWills`, or is dropped when its client is back.
 */
export class MemoryBroker {
  readonly trouble: BrokerTrouble = { swallowAcknowledgements: 0, discard: 0 }
  readonly retained = new Map<string, Uint8Array>()
  /** Called with every message that was taken, before it is delivered. */
  onPublish: (message: Message, clientId: string) => void = () => undefined
  connects = 0
  dropped = 0
  /** Publishes that were handed in and not answered yet, now and at most. */
  unanswered = 0
  mostUnanswered = 0
  private readonly clients = new Map<string, Client>()
  private readonly wills = new Map<string, Will>()

  /** The port of one client. */
  client(clientId: string): Broker {
    return { name: `memory (${clientId})`, connect: (request) => this.connect(clientId, request) }
  }

  private async connect(clientId: string, request: ConnectRequest): Promise<Outcome<BrokerSession>> {
    this.connects++
    await Promise.resolve()
    if (this.trouble.refuseConnect) return { ok: false, fault: this.trouble.refuseConnect }
    const client = this.clients.get(clientId) ?? {
      subscriptions: new Set(),
      queue: [],
      unacknowledged: new Set(),
    }
    this.clients.set(clientId, client)
    client.connection?.lose('another client came with the same id')
    this.wills.delete(clientId)
    client.connection = new MemorySession(this, clientId, request.events, request.will, client.unacknowledged)
    const again = [...client.unacknowledged, ...client.queue.splice(0)]
    for (const message of again) client.connection.deliver(message)
    for (const filter of request.subscribe) this.subscribe(client, filter)
    if (request.wish !== undefined) this.grant(client, request.wish)
    if (request.commands !== undefined) this.grantCommands(client, request.commands)
    return good(client.connection)
  }

  private grant(client: Client, wish: string): void {
    if (this.trouble.refuseWish) return
    client.connection!.hasWish = true
    this.subscribe(client, wish)
  }

  private grantCommands(client: Client, topic: string): void {
    if (this.trouble.refuseCommands) return
    client.connection!.hearsCommands = true
    this.subscribe(client, topic)
  }

  private subscribe(client: Client, filter: string): void {
    client.subscriptions.add(filter)
    for (const [topic, payload] of this.retained)
      if (matches(filter, topic)) client.connection?.deliver({ topic, payload, retained: true })
  }

  /** Takes a message and gives it on. An empty retained one deletes. */
  publish(message: Message, clientId: string): void {
    this.onPublish(message, clientId)
    if (message.retained && message.payload.length === 0) this.retained.delete(message.topic)
    else if (message.retained) this.retained.set(message.topic, message.payload)
    for (const client of this.clients.values()) {
      if (![...client.subscriptions].some((filter) => matches(filter, message.topic))) continue
      this.deliver(client, { ...message, retained: false })
    }
  }

  private deliver(client: Client, message: Message): void {
    if (client.connection) return client.connection.deliver(message)
    client.queue.push(message)
    if (client.queue.length > mostQueued) this.dropped += client.queue.splice(0, 1).length
  }

  /** The link of one client, or of all, goes down without a word. */
  cut(clientId?: string): void {
    for (const [id, client] of this.clients)
      if (clientId === undefined || id === clientId) client.connection?.lose('cut')
  }

  /** Called by a session that ended; with a will if it was not announced. */
  ended(clientId: string, session: MemorySession, will: Will | undefined): void {
    const client = this.clients.get(clientId)
    if (client?.connection === session) client.connection = undefined
    if (!will) return
    if (will.delaySeconds > 0) this.wills.set(clientId, will)
    else this.publish({ topic: will.topic, payload: will.payload, retained: will.retain }, clientId)
  }

  /** The delay of all waiting wills is over. */
  releaseWills(): void {
    for (const [clientId, will] of this.wills)
      this.publish({ topic: will.topic, payload: will.payload, retained: will.retain }, clientId)
    this.wills.clear()
  }

  isConnected(clientId: string): boolean {
    return this.clients.get(clientId)?.connection !== undefined
  }
}

class MemorySession implements BrokerSession {
  hasWish = false
  hearsCommands = false
  private open = true
  private readonly count = { sent: 0, received: 0 }

  constructor(
    private readonly broker: MemoryBroker,
    private readonly clientId: string,
    private readonly events: BrokerEvents,
    private readonly will: Will | undefined,
    private readonly unacknowledged: Set<Message>,
  ) {}

  async publish(topic: string, payload: Uint8Array, options: PublishOptions): Promise<Outcome<void>> {
    const { broker } = this
    broker.mostUnanswered = Math.max(broker.mostUnanswered, ++broker.unanswered)
    await Promise.resolve()
    broker.unanswered--
    return this.open
      ? this.take({ ...options, topic, payload, retained: options.retain })
      : bad('link-lost', 'the connection is closed')
  }

  private take(message: Message): Outcome<void> {
    const { trouble } = this.broker
    if (trouble.cutAtPublish?.(message.topic, message.payload)) {
      this.lose('cut')
      return bad('link-lost', 'cut')
    }
    this.count.sent += message.topic.length + message.payload.length + 7
    const refused = trouble.refusePublish?.(message.topic, message.payload)
    if (refused) return bad(refused === true ? 'broker-refused' : refused, `${message.topic}: refused`)
    if (trouble.discard > 0) trouble.discard--
    else this.broker.publish(message, this.clientId)
    if (trouble.swallowAcknowledgements > 0) {
      trouble.swallowAcknowledgements--
      return bad('broker-silent', `${message.topic}: no answer`)
    }
    return done
  }

  /** Later, as over a wire: never inside the call that caused it. */
  deliver(message: Message): void {
    this.count.received += message.topic.length + message.payload.length + 7
    this.unacknowledged.add(message)
    queueMicrotask(() => {
      if (!this.open) return
      const taking = this.events.onMessage(message)
      if (!taking) return void this.unacknowledged.delete(message)
      void taking.then(() => this.open && this.unacknowledged.delete(message))
    })
  }

  async end(farewell?: Message): Promise<void> {
    if (!this.open) return
    if (farewell) this.broker.publish(farewell, this.clientId)
    this.open = false
    this.broker.ended(this.clientId, this, undefined)
    await Promise.resolve()
  }

  lose(detail: string): void {
    if (!this.open) return
    this.open = false
    this.broker.ended(this.clientId, this, this.will)
    queueMicrotask(() => this.events.onLost(detail))
  }

  bytes(): { sent: number; received: number } {
    return { ...this.count }
  }
}

/** MQTT topic filters: '+' is one level, a last '#' all the rest. */
function matches(filter: string, topic: string): boolean {
  const wanted = filter.split('/')
  const levels = topic.split('/')
  for (let i = 0; i < wanted.length; i++) {
    if (wanted[i] === '#') return true
    if (i >= levels.length || (wanted[i] !== '+' && wanted[i] !== levels[i])) return false
  }
  return wanted.length === levels.length
}
