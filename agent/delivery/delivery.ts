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
import {
  addSeconds,
  type EventLine,
  type IncomingText,
  type MonoSeconds,
  type StageCounts,
} from '../terms/terms.js'
import { readAnswer, senderOf, type Wish } from './answers.js'
import { dueWords, refusal } from './changes.js'
import type {
  Answer,
  DeliveryOptions,
  DeliveryPorts,
  DeliveryStatus,
  Notice,
  TestResult,
  WayTest,
} from './contracts.js'
import { dailyLineDue } from './daily-line.js'
import { acknowledgedName, everything, Ledger, mutedName, newestOf, type RuleBook } from './ledger.js'
import { dropMuted, takeEnded } from './muting.js'
import { deliveryName, dueDetails, type DueWords } from './notices.js'
import { Outbox } from './outbox.js'
import { ownRules } from './own-rules.js'
import { Stamps } from './stamps.js'
import { statusOf } from './status.js'
import { testWays } from './way-test.js'

export * from './contracts.js'
export {
  checkTemplate,
  templateFields,
  templateKinds,
  type CheckedTemplate,
  type Template,
  type TemplateKind,
} from './templates.js'
export { simReminders, type SimDates } from './sim-dates.js'
export { SimWatch } from './sim-watch.js'
export { ModemTalk, type LinkWord, type ModemPorts, type ModemStanding } from './modem-talk.js'
export { answerDelivery, type Asked, type Teller } from './requests.js'
export { troublesOf } from './daily-line.js'
export { quantityWords } from './quantity-words.js'
export { Watch, type WatchPlace } from './watch-words.js'
export { Wording, type WordingOptions } from './wording.js'
export { mostRules } from './ledger.js'

export const mostRecipients = 20
/** Longest mute: nobody remembers a longer one. */
export const mostMuteSeconds = 7 * 86_400
const mostAnswersAnHour = 20
const hourSeconds = 3600
/** Between two looks at what waits; attempts that end and what is new are looked at when they come. */
const lookEverySeconds = 5
const longestWho = 40

export class Delivery {
  private readonly stamps: Stamps
  private readonly ledger: Ledger
  private readonly outbox: Outbox
  private readonly startedAt: MonoSeconds
  private lookAt: MonoSeconds
  private answered: MonoSeconds[] = []
  private textsIgnored = 0
  private test: TestResult = 'none'

  constructor(
    private readonly options: DeliveryOptions,
    private readonly ports: DeliveryPorts,
  ) {
    const aliases = options.recipients.slice(0, mostRecipients).map(({ alias }) => alias)
    this.stamps = new Stamps(ports.boot, ports.utcAt)
    this.ledger = new Ledger(aliases, this.stamps)
    this.outbox = new Outbox(options, ports, this.ledger)
    this.startedAt = ports.mono()
    this.lookAt = this.startedAt
  }

  /** Once, before anything else. Lines of other names, and those that come twice, are skipped. */
  restore(lines: Iterable<EventLine>, now: MonoSeconds): void {
    for (const line of lines) this.ledger.apply(line, now)
    this.outbox.restore(now)
  }

  /** The lines from which `restore` makes the present state, oldest first: few, for a checkpoint. */
  kept(): readonly EventLine[] {
    return this.ledger.lines()
  }

  /** Harmless when it was told before. Starts the first attempts at once. */
  tell(notice: Notice, now: MonoSeconds): void {
    const refused = refusal(notice, this.ledger)
    if (refused !== undefined) return this.outbox.refuse(refused)
    this.due(notice, this.ledger.rules.get(notice.rule), now)
  }

  private due(notice: Notice, before: RuleBook | undefined, now: MonoSeconds): void {
    const words = dueWords(notice, before, this.ledger, this.options, now)
    if (words.aliases.length === 0) return this.outbox.refuse('nobody')
    if (!this.ledger.bookOf(notice.rule)) return this.outbox.refuse('too many rules')
    this.put(notice, words, now)
    this.outbox.pump(now)
  }

  private put(notice: Omit<Notice, 'id'> & { id?: string }, words: DueWords, now: MonoSeconds): void {
    this.ledger.apply(this.ports.event(now, deliveryName, dueDetails(notice, words)), now)
    this.outbox.take(notice.rule, words.aliases)
  }

  /** Every second or slower. */
  step(now: MonoSeconds): void {
    if (now < this.lookAt) return
    this.lookAt = addSeconds(now, lookEverySeconds)
    this.stamps.learn(now)
    this.outbox.attempts.expire(now)
    for (const mute of takeEnded(this.ledger, now)) dropMuted(mute, this.outbox, now)
    this.tellDaily(now)
    this.outbox.pump(now)
  }

  private tellDaily(now: MonoSeconds): void {
    const { options, ports, ledger } = this
    const aliases = options.recipients
      .filter(({ dailyLine }) => dailyLine.length > 0)
      .map(({ alias }) => alias)
    if (!ports.dailyFacts || aliases.length === 0) return
    const last = ledger.rules.get(ownRules.daily)?.word
    const day = dailyLineDue(last, this.startedAt, options.dailyLineHour, now, ports)
    if (day === undefined || !ledger.bookOf(ownRules.daily)) return
    const notice = {
      rule: ownRules.daily,
      state: 'word',
      priority: 'low',
      facts: ports.dailyFacts(),
    } as const
    this.put(notice, { code: '', aliases, streak: 0, chatterId: 0, day }, now)
  }

  /** @param what a code or a rule; @param by whom people know: an alias, 'at the station' */
  acknowledge(what: string, by: string, now: MonoSeconds): Answer {
    const book = this.find(what)
    const newest = book && newestOf(book)
    if (!book || !newest) return no(`nothing is known as ${what}`)
    if (newest.notice.state !== 'raised') return no(`${book.rule} is not raised`)
    const { acknowledged } = book
    if (acknowledged?.id === newest.id) return yes(`${book.rule} is acknowledged by ${acknowledged.by}`)
    this.note(
      acknowledgedName,
      { rule: book.rule, notice: String(newest.id), by: by.slice(0, longestWho) },
      now,
    )
    this.knows(book.rule, by, now)
    return yes(`${book.rule}: acknowledged`)
  }

  /** Who acknowledges a raise need not be told of it any more. */
  private knows(rule: string, alias: string, now: MonoSeconds): void {
    const pending = this.outbox.pending().find((p) => p.book.rule === rule && p.recipient.alias === alias)
    if (pending && !pending.progress.isUnderWay) this.outbox.outdate(pending, 'acknowledged', now)
  }

  /** @param what a code, a rule or 'all'; for 0 seconds it ends a mute */
  mute(what: string, forSeconds: number, by: string, now: MonoSeconds): Answer {
    const rule = this.muteable(what)
    if (rule === undefined) return no(`nothing is known as ${what}`)
    if (!(forSeconds >= 0)) return no('a mute needs a time')
    const seconds = Math.round(Math.min(forSeconds, mostMuteSeconds))
    if (seconds === 0 && !this.ledger.mutes.has(rule)) return yes(`${rule} is not muted`)
    this.note(mutedName, { rule, seconds: String(seconds), by: by.slice(0, longestWho) }, now)
    this.lookAt = now
    return yes(seconds === 0 ? `${rule}: no longer muted` : `${rule}: muted for ${hoursText(seconds)}`)
  }

  private muteable(what: string): string | undefined {
    return what === everything || this.ports.rules?.has(what) ? what : this.find(what)?.rule
  }

  private note(name: string, details: Readonly<Record<string, string>>, now: MonoSeconds): void {
    this.ledger.apply(this.ports.event(now, name, details), now)
    this.ports.track(this.outbox.attempts.makeSafe())
  }

  private find(what: string): RuleBook | undefined {
    const code = what.toUpperCase()
    const books = [...this.ledger.rules.values()]
    return this.ledger.rules.get(what) ?? books.find((book) => newestOf(book)?.code === code)
  }

  /** An SMS that came in: see `readAnswer`. It is not answered: that would cost. */
  heard(text: IncomingText, now: MonoSeconds): void {
    const sender = senderOf(text, this.options.recipients)
    const wish = sender && readAnswer(text.text)
    this.answered = this.answered.filter((at) => now - at < hourSeconds)
    const answer =
      wish && this.answered.length < mostAnswersAnHour ? this.grant(wish, sender.alias, now) : undefined
    if (answer?.done) this.answered.push(now)
    else this.textsIgnored++
  }

  private grant(wish: Wish, alias: string, now: MonoSeconds): Answer {
    if (wish.do === 'acknowledge') return this.acknowledge(wish.code, alias, now)
    return this.mute(wish.code, wish.seconds, alias, now)
  }

  /** Begins a test, whose result `testResult` tells; false: one is under way. */
  beginTest(alias: string, now: MonoSeconds): boolean {
    if (this.test === 'under way') return false
    this.test = 'under way'
    this.ports.track(this.sendTest(alias, now).then((tests) => (this.test = tests ?? 'no such')))
    return true
  }

  get testResult(): TestResult {
    return this.test
  }

  /** One attempt by each way of the recipient, now, whatever the hour. Undefined: there is no such recipient. */
  async sendTest(alias: string, now: MonoSeconds): Promise<readonly WayTest[] | undefined> {
    const recipient = this.outbox.recipient(alias)
    if (!recipient) return undefined
    const { options, ports, ledger, outbox } = this
    const test = testWays(recipient, { options, ports, ledger, attempts: outbox.attempts }, now)
    this.ports.track(test)
    return test
  }

  /** Whether anything waits to be told. */
  get isWaiting(): boolean {
    return this.outbox.counts().held > 0
  }

  status(now: MonoSeconds): DeliveryStatus {
    return statusOf(this.options, this.ledger, this.outbox, this.textsIgnored, now)
  }

  counts(): StageCounts {
    return this.outbox.counts()
  }
}

const yes = (words: string): Answer => ({ done: true, words })
const no = (words: string): Answer => ({ done: false, words })

const hoursText = (seconds: number): string =>
  seconds % hourSeconds === 0 ? `${seconds / hourSeconds} h` : `${Math.ceil(seconds / 60)} min`
