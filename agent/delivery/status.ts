import { secondsBetween, type MonoSeconds } from '../terms/terms.js'
import type {
  DeliveryOptions,
  DeliveryStatus,
  Recipient,
  RecipientStatus,
  RuleStatus,
  WaitingStatus,
} from './contracts.js'
import { endOf, everything, newestOf, partsSince, type Ledger, type RuleBook } from './ledger.js'
import type { Outbox } from './outbox.js'
import { ownRules } from './own-rules.js'
import { chatters, type Pending } from './pending.js'

const daySeconds = 86_400
const hourSeconds = 3600

export function statusOf(
  options: DeliveryOptions,
  ledger: Ledger,
  outbox: Outbox,
  textsIgnored: number,
  now: MonoSeconds,
): DeliveryStatus {
  const pending = outbox.pending()
  const books = [...ledger.rules.values()].filter(({ rule }) => rule !== ownRules.test)
  const all = mutedFor(ledger, everything, now)
  return {
    recipients: options.recipients.map((r) => recipientStatus(r, ledger, pending, now)),
    rules: books.flatMap((book) => ruleStatus(book, options, ledger, now)),
    ...(all === undefined ? {} : { allMutedForSeconds: all }),
    sms: costOf(ledger, options),
    textsIgnored,
  }
}

function costOf({ cost }: Ledger, { smsCostCents }: DeliveryOptions): DeliveryStatus['sms'] {
  const { month, parts } = cost
  const cents = smsCostCents === undefined ? {} : { costCents: parts * smsCostCents }
  return { ...(month === undefined ? {} : { month }), parts, ...cents }
}

function mutedFor(ledger: Ledger, what: string, now: MonoSeconds): number | undefined {
  const mute = ledger.mutes.get(what)
  const left = mute ? Math.ceil(endOf(mute) - now) : 0
  return left > 0 ? left : undefined
}

function recipientStatus(
  { alias, ways, mostSmsADay }: Recipient,
  ledger: Ledger,
  pending: readonly Pending[],
  now: MonoSeconds,
): RecipientStatus {
  const person = ledger.people.get(alias) ?? { fates: new Map(), sent: [] }
  return {
    alias,
    ways: ways.map(({ way }) => way),
    smsLastDay: partsSince(person, 'sms', daySeconds, now),
    mostSmsADay,
    messagesLastHour: person.sent.filter((s) => s.isSure && now - s.stamp.at < hourSeconds).length,
    waiting: pending
      .filter(({ recipient }) => recipient.alias === alias)
      .map((one) => waitingStatus(one, now)),
  }
}

function waitingStatus({ newest, progress, book }: Pending, now: MonoSeconds): WaitingStatus {
  return {
    rule: book.rule,
    state: newest.notice.state,
    waitsSeconds: Math.round(secondsBetween(newest.stamp.at, now)),
    attempts: progress.attempts,
    because: progress.isUnderWay ? 'it is being sent' : progress.because,
  }
}

function ruleStatus(
  book: RuleBook,
  { quietAfterSeconds }: DeliveryOptions,
  ledger: Ledger,
  now: MonoSeconds,
): RuleStatus[] {
  const newest = newestOf(book)
  if (!newest) return []
  const { rule, acknowledged } = book
  const { state, priority } = newest.notice
  const muted = mutedFor(ledger, rule, now)
  const isTaken = acknowledged !== undefined && acknowledged.id === newest.id
  const told = newest.aliases.filter((alias) => ledger.settled(alias, rule) >= newest.id)
  return [
    {
      rule,
      state,
      priority,
      code: newest.code,
      ...(isTaken ? { acknowledgedBy: acknowledged.by } : {}),
      ...(muted === undefined ? {} : { mutedForSeconds: muted }),
      chatters: chatters(newest, quietAfterSeconds, now),
      told,
    },
  ]
}
