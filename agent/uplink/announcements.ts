import {
  type BrokerSession,
  type Fault,
  type Message,
  type MonoSeconds,
  type Outcome,
  type Will,
} from '../terms/terms.js'
import { aliveMessage, RoundTrip, type Life } from './alive.js'
import type { UplinkOptions, UplinkPorts } from './options.js'
import { RetainedMessages } from './retained.js'
import { topicOf } from './topics.js'

/** With the client at once, beside the packs. */
const mostInFlight = 3
/** A broker without room is not asked to keep messages for so long. */
const fullRestSeconds = 60

/** The retained messages on their way, the one that says the station is alive among them, and whether that comes back. */
export class Announcements {
  private inFlight = 0
  private readonly retained = new RetainedMessages()
  private readonly roundTrip = new RoundTrip()
  private restsUntil = -Infinity
  private untrue = false
  private session = 0
  /** When we are heard again at the latest, s; set where a modem rests by its hours. */
  nextContact: ((now: MonoSeconds, everySeconds: number) => number) | undefined

  constructor(
    private readonly options: UplinkOptions,
    private readonly ports: UplinkPorts,
  ) {}

  /** Number of this start. */
  started(session: number): void {
    this.session = session
  }

  put(what: string, payload: Uint8Array): void {
    this.retained.put(what, payload)
  }

  connected(): void {
    this.roundTrip.forget()
    this.retained.connected()
  }

  get topic(): string {
    return topicOf(this.options.group, this.options.station, 'alive')
  }

  private get life(): Life {
    return { boot: this.ports.boot, session: this.session }
  }

  get will(): Will {
    const payload = aliveMessage('lost', this.life)
    return { topic: this.topic, payload, retain: true, delaySeconds: this.options.willDelaySeconds }
  }

  get farewell(): Message {
    return { topic: this.topic, payload: aliveMessage('stopped', this.life), retained: true }
  }

  /** Said again each time: a will that was late may have overwritten it. */
  sayAlive(now: MonoSeconds): void {
    this.untrue = false
    const every = this.options.packEverySeconds
    const more = this.nextContact
      ? { next_contact_s: Math.round(this.nextContact(now, every)), every_s: every }
      : { next_contact_s: every }
    this.retained.put('alive', aliveMessage('running', this.life, more), 'again')
  }

  /** Sends the next that waits, if one may go; resolves with the broker's answer. */
  publish(session: BrokerSession, now: () => MonoSeconds): Promise<Outcome<void>> | undefined {
    if (this.inFlight >= mostInFlight || now() < this.restsUntil) return undefined
    const message = this.retained.next()
    if (!message) return undefined
    const { what, payload } = message
    this.inFlight++
    if (what === 'alive' && session.hasWish) this.roundTrip.said(payload, now())
    const topic = topicOf(this.options.group, this.options.station, what)
    return session.publish(topic, payload, { retain: true }).then((answer) => {
      this.inFlight--
      if (what === 'alive' && !answer.ok) this.roundTrip.forget()
      if (isFull(answer)) this.restsUntil = now() + fullRestSeconds
      this.retained.settled(what, payload, wordOf(answer))
      return answer
    })
  }

  /** A message on our own topic `alive`. */
  hear(message: Message, now: MonoSeconds): void {
    const heard = this.roundTrip.heard(message, now)
    if (heard === 'ours') this.ports.faults.clear('round-trip-failed')
    // Ours is said again with the next step, not at once: of two stations of one name neither has the last word.
    if (heard === 'foreign') this.untrue = true
  }

  /** A fault when what we said did not come back in time. */
  step(now: MonoSeconds): Fault | undefined {
    if (this.untrue) this.sayAlive(now)
    return this.roundTrip.overdue(now)
  }

  get heardAt(): MonoSeconds | undefined {
    return this.roundTrip.heardAt
  }

  get idle(): boolean {
    return this.inFlight === 0 && this.waiting === 0
  }

  get waiting(): number {
    return this.retained.waiting
  }

  get refused(): number {
    return this.retained.refused
  }

  get anyRefused(): boolean {
    return this.retained.anyRefused
  }
}

const isFull = (answer: Outcome<void>): boolean => !answer.ok && answer.fault.code === 'broker-full'

function wordOf(answer: Outcome<void>): 'sent' | 'refused' | 'again' {
  if (answer.ok) return 'sent'
  const { code } = answer.fault
  return code === 'broker-refused' || code === 'broker-denied' ? 'refused' : 'again'
}
