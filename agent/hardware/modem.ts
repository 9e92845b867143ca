import {
  bad,
  good,
  type Delivered,
  type FaultCode,
  type IncomingText,
  type MessageWay,
  type OutgoingMessage,
  type Outcome,
} from '../terms/terms.js'
import { readInbox } from './modem-inbox.js'
import { lookAtModem, waitForNetwork } from './modem-network.js'
import { SimPin, type SimPinOptions } from './modem-pin.js'
import type { ModemPort } from './modem-port.js'
import { SentParts, sendParts } from './modem-send.js'
import { Talk } from './modem-talk.js'
import type { ModemView } from './modem-words.js'

export interface ModemOptions {
  /** An attempt to send ends by then, whatever it waits for: its turn, the port, the SIM, a network, a result. */
  readonly attemptSeconds: number
  /** Absent: a SIM that asks for a PIN is not unlocked. */
  readonly sim?: SimPinOptions
}

export const usualModem: ModemOptions = { attemptSeconds: 120 }

/** No message is handed over when less is left to hear its result. */
const leastSubmitSeconds = 20
const firstRetrySeconds = 2
const longestRetrySeconds = 30
const lookSeconds = 20
const readSeconds = 60
/** A result that is later than this will not come; until then the port is not let go, which would lose it. */
const lateSeconds = 600
/** Before it is disturbed, a modem that still owes a result is listened to for so much of an attempt. */
const patienceShare = 0.5
/** What another try within the same attempt may cure. */
const curable: readonly FaultCode[] = ['sms-failed', 'sms-silent', 'sms-port']
const numberShape = /^\+?\d{3,15}$/

/**
 * SMS by a cellular modem: AT commands of 3GPP TS 27.005 and 27.007 in text mode. One thing after the other; each ends in time,
 * gets a hanging modem to answer again, and leaves the port to others.
 */
export class Modem {
  private readonly sent = new SentParts()
  private readonly pin: SimPin
  private turn: Promise<unknown> = Promise.resolve()
  /** The port is held for a late result since then. */
  private heldSince: number | undefined

  constructor(
    private readonly port: ModemPort,
    private readonly options: ModemOptions = usualModem,
  ) {
    this.pin = new SimPin(options.sim)
    port.onStray = (line) => this.sent.heard(line)
  }

  /** One attempt. Faults: sms-* and, where what was tried of the PIN cannot be saved, disk-*, state-damaged. */
  async send({ key, to, text }: OutgoingMessage): Promise<Outcome<Delivered>> {
    if (!numberShape.test(to)) return bad('sms-number', 'digits only, with + and the country code')
    const message = { id: `${key} ${to}`, to, text }
    return this.attempt(this.options.attemptSeconds, (talk) => this.sendIn(talk, message))
  }

  /** SIM, registration, operator and signal; nothing is changed or entered. Faults: sms-port, sms-silent. */
  look(): Promise<Outcome<ModemView>> {
    return this.attempt(lookSeconds, async (talk) => {
      if (this.port.isHeld) return this.stillAtWork()
      const awake = await talk.wake()
      return awake.ok ? lookAtModem(talk) : awake
    })
  }

  /**
   * Gives each message that came in to `take` and deletes it then: after a power cut between the two it is given again.
   * @returns how many there were
   */
  readTexts(take: (text: IncomingText) => Promise<unknown> | void): Promise<Outcome<number>> {
    return this.attempt(readSeconds, async (talk) => {
      if (this.port.isHeld) return this.stillAtWork()
      const awake = await this.wake(talk)
      return awake.ok ? readInbox(talk, take) : awake
    })
  }

  /** Ends what is under way and lets the port go. */
  async close(): Promise<void> {
    await this.port.end()
    await this.turn
  }

  private attempt<T>(seconds: number, work: (talk: Talk) => Promise<Outcome<T>>): Promise<Outcome<T>> {
    const talk = new Talk(this.port, this.port.time.nowSeconds() + seconds)
    const turn = this.turn.then(async () => {
      if (talk.leftSeconds === 0)
        return bad('sms-failed', `${this.port.name}: other messages took all the time`)
      this.port.enter()
      try {
        return await work(talk)
      } finally {
        await this.letGo()
      }
    })
    this.turn = turn.catch(() => undefined)
    return turn
  }

  private stillAtWork(): Outcome<never> {
    return bad('sms-failed', `${this.port.name}: the modem still owes the result of a message`)
  }

  /** Once for this attempt, and once more for one that waited for a late result. */
  private async letGo(): Promise<void> {
    const { port, sent } = this
    const now = port.time.nowSeconds()
    if (this.heldSince !== undefined && now - this.heldSince >= lateSeconds) sent.answered(false)
    if (sent.isWaiting() && this.heldSince === undefined) {
      this.heldSince = now
      port.isHeld = true
      return
    }
    if (!sent.isWaiting() && this.heldSince !== undefined) {
      this.heldSince = undefined
      port.isHeld = false
      await port.leave()
    }
    await port.leave()
  }

  private async sendIn(
    talk: Talk,
    message: { id: string; to: string; text: string },
  ): Promise<Outcome<Delivered>> {
    for (
      let waitSeconds = firstRetrySeconds;
      ;
      waitSeconds = Math.min(longestRetrySeconds, 2 * waitSeconds)
    ) {
      const sent = await this.pass(talk, message)
      const isLast = talk.leftSeconds < waitSeconds + leastSubmitSeconds
      if (sent.ok || isLast || !curable.includes(sent.fault.code)) return this.unlessOwed(message.id, sent)
      await talk.pause(waitSeconds)
    }
  }

  /** What was handed over before may still go out: then nothing else is sure. */
  private unlessOwed(id: string, sent: Outcome<Delivered>): Outcome<Delivered> {
    return sent.ok || !this.sent.isWaiting(id) ? sent : bad('sms-unsure', sent.fault.detail)
  }

  private async pass(
    talk: Talk,
    message: { id: string; to: string; text: string },
  ): Promise<Outcome<Delivered>> {
    await this.hearLateResult(talk)
    const { parts, isWhole } = this.sent.of(message.id)
    if (isWhole) {
      this.sent.finished(message.id)
      return good({ parts, words: 'the network has taken it; the modem said so late' })
    }
    const awake = await this.wake(talk)
    if (!awake.ok) return awake
    const registered = await waitForNetwork(talk, leastSubmitSeconds)
    return registered.ok ? sendParts(talk, message, this.sent) : registered
  }

  private async hearLateResult(talk: Talk): Promise<void> {
    const end = this.port.time.nowSeconds() + patienceShare * talk.leftSeconds
    while (this.sent.isWaiting() && talk.leftSeconds > 0 && this.port.time.nowSeconds() < end) {
      await talk.settle()
      if (!this.port.isOpen) this.sent.answered(false)
      await talk.pause(1)
    }
  }

  private async wake(talk: Talk): Promise<Outcome<void>> {
    const awake = await talk.wake()
    if (!awake.ok) return awake
    // Numbers with each error; a modem without them says ERROR alone.
    await talk.ask('AT+CMEE=1')
    return this.pin.unlock(talk)
  }
}

/** The modem as a way to a person. */
export const smsWay = (modem: Modem): MessageWay => ({
  name: 'sms',
  send: (message) => modem.send(message),
})

export { ModemPort, realModemTime, type ModemTime } from './modem-port.js'
export { modemWords, type ModemView } from './modem-words.js'
export type { SimPinOptions } from './modem-pin.js'
