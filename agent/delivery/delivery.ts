/**
 * delivery: tells people. Keeps what is due to whom until it is delivered, by one way after the other, and says it once.
 *
 * In: notices (an alert raised or over, a word), each with the number of the line it comes from; acknowledgements and mutes
 * from a command or an SMS; the monotonic time, every second or slower.
 * Out: messages by the ways it is given; event lines 'delivery', 'acknowledged' and 'muted', which hold all of its state.
 * Assumed: `restore` is given the event lines of the store (or what `kept` gave and all lines after it) before anything
 * else; `tell` of what was told before is harmless, so the newest change of each rule is told again after a start.
 * A way's attempt is bounded in time as a whole.
 * Refused: more rules or recipients than `mostRules` and `mostRecipients`, answers from numbers that are not listed.
 *
 * Promised: one delivery per change and recipient; nothing is sent before everything written is synced, and one message at a
 * time goes out by a way, so that a kill costs at most one message twice, with the same code and key.
 */
import type { EventLine, IncomingText, MonoSeconds, StageCounts } from '../terms/terms.js'
import type { Answer, DeliveryOptions, DeliveryPorts, DeliveryStatus, Notice, WayTest } from './contracts.js'

export * from './contracts.js'

export const mostRecipients = 20
export const mostRules = 128

export class Delivery {
  constructor(
    private readonly options: DeliveryOptions,
    private readonly ports: DeliveryPorts,
  ) {}

  /** Once, before anything else. Lines of other names are skipped. */
  restore(lines: Iterable<EventLine>, now: MonoSeconds): void {
    void [lines, now]
  }

  /** The lines from which `restore` makes the present state, oldest first: few, for a checkpoint. */
  kept(): readonly EventLine[] {
    return []
  }

  /** Harmless when it was told before. Starts the first attempts at once. */
  tell(notice: Notice, now: MonoSeconds): void {
    void [notice, now]
  }

  /** Every second or slower. */
  step(now: MonoSeconds): void {
    void now
  }

  /** @param what a code or a rule */
  acknowledge(what: string, by: string, now: MonoSeconds): Answer {
    return { done: false, words: `${what} ${by} ${now}` }
  }

  /** @param what a code, a rule or 'all'; for 0 seconds it ends a mute */
  mute(what: string, forSeconds: number, by: string, now: MonoSeconds): Answer {
    return { done: false, words: `${what} ${by} ${now} ${forSeconds}` }
  }

  /** An SMS that came in: a code acknowledges, 'mute' beside it mutes (hours behind it, else 8). */
  heard(text: IncomingText, now: MonoSeconds): void {
    void [text, now]
  }

  /** One attempt by each way of the recipient, now. Undefined: there is no such recipient. */
  async sendTest(alias: string, now: MonoSeconds): Promise<readonly WayTest[] | undefined> {
    await Promise.resolve([alias, now])
    return undefined
  }

  /** Whether anything waits to be told. */
  get isWaiting(): boolean {
    return this.options.recipients.length > 99 && this.ports.boot === ''
  }

  status(now: MonoSeconds): DeliveryStatus {
    return { recipients: [], rules: [], sms: { parts: 0 }, textsIgnored: now * 0 }
  }

  counts(): StageCounts {
    return { taken: 0, given: 0, held: 0, refused: {} }
  }
}
