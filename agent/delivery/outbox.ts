import { secondsBetween, type MonoSeconds, type StageCounts } from '../terms/terms.js'
import { Attempts, isSpent, type Job } from './attempts.js'
import { messageKey } from './codes.js'
import type { DeliveryOptions, DeliveryPorts, Notice, Recipient, RecipientWay, Telling } from './contracts.js'
import { passage, smsLeft, type Passage } from './flood.js'
import type { Ledger } from './ledger.js'
import { isDaily, ownRules, summaryKey } from './own-rules.js'
import {
  heldBecause,
  newProgress,
  pendingOf,
  rankOf,
  tellingOf,
  type Pending,
  type Progress,
} from './pending.js'

/** Chooses what goes next to whom by which way, and keeps the counts. */
export class Outbox {
  readonly attempts: Attempts
  private readonly progress = new Map<string, Progress>()
  private taken = 0
  private given = 0
  private readonly refused: Record<string, number> = {}

  constructor(
    private readonly options: DeliveryOptions,
    private readonly ports: DeliveryPorts,
    private readonly ledger: Ledger,
  ) {
    this.attempts = new Attempts(options, ports, ledger, {
      delivered: (job, changes, now) => this.delivered(job, changes, now),
      unsure: (job, changes, now) => this.leave(job, changes, now),
      ended: (now) => this.pump(now),
    })
  }

  /** Takes up what waited when the lines were written. */
  restore(now: MonoSeconds): void {
    for (const pending of this.pending()) {
      const { recipient, person, book, newest, raised } = pending
      const fate = person.fates.get(book.rule)
      const progress = newProgress(fate?.attempts ?? 0, newest.stamp)
      progress.changes = raised ? 2 : 1
      this.taken += progress.changes
      this.progress.set(keyOf(recipient.alias, book.rule), progress)
    }
    for (const [alias, { fates }] of this.ledger.people)
      for (const { isOpen, attempts, line } of fates.values())
        if (isOpen && attempts > 1) this.restAfterStart(alias, line.details.way, attempts - 1, now)
  }

  private restAfterStart(alias: string, name: string, failures: number, now: MonoSeconds): void {
    const way = this.recipient(alias)?.ways.find(({ way }) => way === name)
    if (way) this.attempts.rests.afterStart(alias, way.way, failures, now)
  }

  recipient(alias: string): Recipient | undefined {
    return this.options.recipients.find((recipient) => recipient.alias === alias)
  }

  /** A change is due to these. */
  take(rule: string, aliases: readonly string[]): void {
    for (const alias of aliases) {
      this.taken++
      this.progressOf(alias, rule).changes++
    }
  }

  refuse(reason: string, changes = 1): void {
    this.taken += changes
    this.drop(reason, changes)
  }

  private drop(reason: string, changes: number): void {
    this.refused[reason] = (this.refused[reason] ?? 0) + changes
  }

  private readonly progressOf = (alias: string, rule: string): Progress => {
    const key = keyOf(alias, rule)
    const known = this.progress.get(key) ?? newProgress()
    this.progress.set(key, known)
    return known
  }

  /** All that waits, of whom and what it may. */
  pending(): Pending[] {
    const pending: Pending[] = []
    for (const recipient of this.options.recipients) {
      const person = this.ledger.people.get(recipient.alias)
      if (!person) continue
      for (const book of this.ledger.rules.values()) {
        const one = pendingOf(recipient, person, book, this.progressOf)
        if (one) pending.push(one)
      }
    }
    return pending
  }

  /** Begins whatever may go now. */
  pump(now: MonoSeconds): void {
    if (this.attempts.isDiskResting(now)) return
    const ready = this.pending().filter((pending) => this.isReady(pending, now))
    ready.sort((a, b) => rankOf(a.newest.notice) - rankOf(b.newest.notice) || a.newest.id - b.newest.id)
    for (const pending of ready) {
      if (pending.progress.isUnderWay) continue
      const like = ready.filter((p) => isLike(p, pending) && !p.progress.isUnderWay)
      const how = isUnfinished(like) ? 'summary' : this.passageOf(pending, like.length, now)
      if (how === 'single') this.send(single(pending), tellingOf(pending), now)
      else if (how === 'summary') this.sendSummary(like, now)
      else pending.progress.because = 'so many messages went in this hour'
    }
  }

  /** @param waiting messages of that kind to the same recipient */
  private passageOf({ recipient, person, newest }: Pending, waiting: number, now: MonoSeconds): Passage {
    if (isDaily(newest.notice)) return 'single'
    const { priority } = newest.notice
    const isHigh = priority === 'high'
    const underWay = this.attempts.underWay(recipient.alias, isHigh)
    const how = passage(person, isHigh, this.options.mostAnHour, underWay, now)
    if (how !== 'single' || recipient.ways.at(0)?.way !== 'sms') return how
    const left = smsLeft(person, recipient, priority, now)
    return left > 0 && waiting > left ? 'summary' : how
  }

  private isReady(pending: Pending, now: MonoSeconds): boolean {
    const { progress } = pending
    if (progress.isUnderWay) return false
    const because = heldBecause(pending, this.ledger, this.options, now, this.ports)
    if (because === undefined) progress.since ??= now
    else progress.because = because
    return because === undefined
  }

  /** What waits becomes one message; a single one goes as it is, in the place of a summary. */
  private sendSummary(told: readonly Pending[], now: MonoSeconds): void {
    const waiting = told.filter(({ newest }) => !isDaily(newest.notice))
    if (waiting.length === 0) return
    if (waiting.length === 1)
      return this.send({ ...single(waiting[0]), isSummary: true }, tellingOf(waiting[0]), now)
    const newest = waiting.reduce((a, b) => (a.newest.id > b.newest.id ? a : b)).newest
    const { recipient } = waiting[0]
    const rule = summaryKey(newest.notice.priority === 'high')
    const progress = this.progressOf(recipient.alias, rule)
    progress.since ??= now
    const job = {
      ...single(waiting[0]),
      rule,
      newest,
      progress,
      told: waiting,
      isSummary: true,
    }
    this.send(job, { code: newest.code, summary: waiting.map((pending) => pending.newest.notice) }, now)
  }

  private send(job: Job, telling: Telling, now: MonoSeconds): void {
    let opensAfterSeconds = 0
    const { since, restored } = job.progress
    const waited = secondsBetween(restored?.at ?? since ?? now, now)
    let isOpen = true
    for (const way of job.ways) {
      if (!isOpen && waited < opensAfterSeconds) return
      const answer = this.tryBy(job, way, telling, now)
      if (answer === 'begun') return
      isOpen = answer === 'closed'
      opensAfterSeconds += way.nextAfterSeconds
    }
  }

  /** 'closed': waiting does not open this way soon, and the next is tried at once. */
  private tryBy(
    job: Job,
    way: RecipientWay,
    telling: Telling,
    now: MonoSeconds,
  ): 'begun' | 'waits' | 'closed' {
    const { alias, progress, newest } = job
    if (!this.ports.ways.has(way.way)) return closed(job, `${way.way} is not set up`)
    if (isSpent(progress, way.way)) return 'closed'
    if (this.attempts.isBusy(way.way)) return 'waits'
    const rest = this.attempts.rests.of(alias, way.way, now)
    if (rest) return rest.isFinal ? 'closed' : 'waits'
    const { priority } = newest.notice
    if (way.way !== 'sms' && this.ports.wantLink?.(priority) === false)
      return waits(job, 'there is no link now')
    return this.sendBy(job, way, telling, now)
  }

  private sendBy(job: Job, way: RecipientWay, telling: Telling, now: MonoSeconds): 'begun' | 'closed' {
    const { alias, rule, newest, told } = job
    const { recipient, person } = told[0]
    const left = way.way === 'sms' ? smsLeft(person, recipient, newest.notice.priority, now) : Infinity
    if (left < 1) return closed(job, 'no more SMS today')
    const notice = telling.summary ? summaryNotice(newest.notice, told.length) : newest.notice
    const words = left === 1 ? { ...telling, lastToday: true } : telling
    const { parts = 1, ...message } = this.ports.compose(notice, way.way, recipient, words)
    if (parts > left) return closed(job, 'no more SMS today')
    const key = messageKey(this.options.storeId, rule, newest.id, alias)
    this.attempts.begin(job, way, { key, to: way.to, ...message }, now)
    return 'begun'
  }

  private delivered(job: Job, changes: readonly number[], now: MonoSeconds): void {
    job.told.forEach((pending, i) => {
      this.given++
      this.drop('outdated', changes[i] - 1)
      if (job.rule !== pending.book.rule) this.settle(pending, 'summed-up', job.newest.code, now)
      this.after(pending, changes[i])
    })
    if (job.told.length > 1) this.progress.delete(keyOf(job.alias, job.rule))
  }

  private leave(job: Job, changes: readonly number[], now: MonoSeconds): void {
    job.told.forEach((pending, i) => {
      this.settle(pending, 'unsure', pending.newest.code, now)
      this.drop('unsure', changes[i])
      this.after(pending, changes[i])
    })
    if (job.told.length > 1) this.progress.delete(keyOf(job.alias, job.rule))
  }

  /** Nothing is told: it is over, acknowledged by the recipient, or was muted. */
  outdate(pending: Pending, because: string, now: MonoSeconds): void {
    const { changes } = pending.progress
    this.settle(pending, 'outdated', pending.newest.code, now, { because })
    this.drop('outdated', changes)
    this.after(pending, changes)
  }

  private settle(
    { recipient, book, newest }: Pending,
    state: string,
    code: string,
    now: MonoSeconds,
    more: Readonly<Record<string, string>> = {},
  ): void {
    const { id, notice } = newest
    const words = { rule: book.rule, notice: String(id), change: notice.state, to: recipient.alias, code }
    this.attempts.note(now, { state, ...words, ...more })
  }

  /** What came while it was on its way begins anew. */
  private after({ recipient, book }: Pending, changes: number): void {
    const key = keyOf(recipient.alias, book.rule)
    const left = (this.progress.get(key)?.changes ?? 0) - changes
    this.progress.delete(key)
    if (left > 0) this.progressOf(recipient.alias, book.rule).changes = left
  }

  counts(): StageCounts {
    let held = 0
    for (const { changes } of this.progress.values()) held += changes
    return { taken: this.taken, given: this.given, held, refused: this.refused }
  }
}

const keyOf = (alias: string, rule: string): string => `${alias} ${rule}`

function single(pending: Pending): Job {
  const { recipient, book, newest, progress } = pending
  const { alias, ways, dailyLine } = recipient
  const open = isDaily(newest.notice) ? ways.filter(({ way }) => dailyLine.includes(way)) : ways
  return { alias, rule: book.rule, newest, progress, ways: open, told: [pending], isSummary: false }
}

const isLike = (a: Pending, b: Pending): boolean =>
  a.recipient === b.recipient &&
  (a.newest.notice.priority === 'high') === (b.newest.notice.priority === 'high')

/** A summary that may have come through is told again as one, and not as what it was made of. */
function isUnfinished(like: readonly Pending[]): boolean {
  const [{ person, newest }] = like
  const fate = person.fates.get(summaryKey(newest.notice.priority === 'high'))
  if (!fate?.mayHaveGone || isDaily(newest.notice)) return false
  const upTo = Number(fate.line.details.notice)
  return like.filter((one) => (one.raised ?? one.newest).id <= upTo).length > 1
}

function summaryNotice({ id, priority }: Notice, count: number): Notice {
  return { id, rule: ownRules.summary, state: 'word', priority, facts: { count: String(count) } }
}

function closed({ progress }: Job, because: string): 'closed' {
  progress.because = because
  return 'closed'
}

function waits({ progress }: Job, because: string): 'waits' {
  progress.because = because
  return 'waits'
}
