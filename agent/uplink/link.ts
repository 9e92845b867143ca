import {
  Backoff,
  type BackoffBounds,
  type Broker,
  type BrokerSession,
  type Fault,
  type FaultCode,
  type Message,
  type MonoSeconds,
  type Random,
  type Will,
} from '../terms/terms.js'

export type LinkState = 'apart' | 'connecting' | 'connected' | 'ending'

export interface LinkHooks {
  /** Asked before each attempt. */
  request(): { readonly subscribe: readonly string[]; readonly will?: Will }
  connected(session: BrokerSession): void
  message(message: Message): Promise<void> | void
  /** An attempt came to nothing. */
  failed?(fault: Fault): void
  faults: { raise(fault: Fault): void; clear(...codes: FaultCode[]): void }
}

const linkFaults = [
  'broker-unreachable',
  'broker-down',
  'broker-refused-login',
  'broker-certificate',
  'link-lost',
] as const

/** So many connections in a row that ended within a minute: somebody else has our client id, or the broker does not want us. */
const mostShort = 5
const shortSeconds = 60
/** A connection that has lasted so long shows that it is over. */
const steadySeconds = 600

/** One connection at a time, and when the next may be tried. Every fault of it is told and its end too. */
export class Link {
  state: LinkState = 'apart'
  since = 0 as MonoSeconds
  session: BrokerSession | undefined
  /** The time of the owner's last step: answers that come between are taken to come then. */
  now = 0 as MonoSeconds
  private readonly backoff: Backoff
  private readonly past = { sent: 0, received: 0 }
  private shortInARow = 0

  constructor(
    private readonly broker: Broker,
    bounds: BackoffBounds,
    random: Random,
    private readonly hooks: LinkHooks,
  ) {
    this.backoff = new Backoff(bounds, random)
  }

  /** To be called as time goes on: tells when a trouble of connecting is over. */
  look(): void {
    if (this.session && this.shortInARow > 0 && this.now - this.since >= steadySeconds) {
      this.shortInARow = 0
      this.hooks.faults.clear('client-id-clash')
    }
  }

  /** Something changed that may have been the reason: the next attempt need not wait. */
  forgetWait(): void {
    this.backoff.forgetWait()
  }

  /** Starts an attempt if there is no connection and it is not too early. */
  tryConnect(): Promise<void> | undefined {
    if (this.state !== 'apart' || !this.backoff.mayTry(this.now)) return undefined
    this.enter('connecting')
    return this.connect()
  }

  private async connect(): Promise<void> {
    const mine: { session?: BrokerSession; lost?: string } = {}
    const connected = await this.broker.connect({
      ...this.hooks.request(),
      events: {
        onMessage: (message) => this.hooks.message(message),
        onLost: (detail) => {
          mine.lost = detail
          if (mine.session) this.lost(mine.session, detail)
        },
      },
    })
    if (!connected.ok) return this.failed(connected.fault)
    mine.session = connected.value
    this.session = mine.session
    this.enter('connected')
    this.hooks.faults.clear(...linkFaults)
    this.hooks.connected(mine.session)
    if (mine.lost !== undefined) this.lost(mine.session, mine.lost)
  }

  private failed(fault: Fault): void {
    this.enter('apart')
    this.hooks.failed?.(fault)
    this.backoff.failed(this.now)
    this.hooks.faults.clear(...linkFaults.filter((code) => code !== fault.code))
    this.hooks.faults.raise(fault)
  }

  private lost(session: BrokerSession, detail: string): void {
    if (this.session !== session) return
    this.countShort(this.now - this.since, detail)
    this.backoff.lasted(this.now - this.since)
    this.backoff.failed(this.now)
    this.forget(session)
    this.enter('apart')
    this.hooks.faults.raise({ code: 'link-lost', detail: `${this.broker.name}: ${detail}` })
  }

  private countShort(seconds: number, detail: string): void {
    this.shortInARow = seconds < shortSeconds ? this.shortInARow + 1 : 0
    if (this.shortInARow === 0) this.hooks.faults.clear('client-id-clash')
    if (this.shortInARow < mostShort) return
    const words = `${this.broker.name}: ${this.shortInARow} in a row, the last one: ${detail}`
    this.hooks.faults.raise({ code: 'client-id-clash', detail: words })
  }

  /** @param well false when the other side did not do its part: the next attempt then waits. */
  async end(well: boolean, farewell?: Message): Promise<void> {
    const session = this.session
    if (!session) return
    if (well) this.backoff.wentWell()
    else this.backoff.failed(this.now)
    this.session = undefined
    this.enter('ending')
    await session.end(farewell)
    this.forget(session)
    this.enter('apart')
  }

  private forget(session: BrokerSession): void {
    const { sent, received } = session.bytes()
    this.past.sent += sent
    this.past.received += received
    this.session = undefined
  }

  private enter(state: LinkState): void {
    this.state = state
    this.since = this.now
  }

  /** Of all connections so far. */
  bytes(): { sent: number; received: number } {
    const { sent, received } = this.session?.bytes() ?? { sent: 0, received: 0 }
    return { sent: this.past.sent + sent, received: this.past.received + received }
  }

  get standing(): { failures: number; nextAt: MonoSeconds | undefined } {
    return this.backoff.standing
  }
}
