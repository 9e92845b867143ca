import { secondsBetween, type MonoSeconds } from '../terms/terms.js'
import type { DeliveryOptions, Notice, Priority, Recipient, Telling, WayName } from './contracts.js'
import { endOf, everything, newestOf, type Ledger, type PersonBook, type RuleBook } from './ledger.js'
import type { Due } from './notices.js'
import { isDaily } from './own-rules.js'
import { isQuiet, type WatchPorts } from './quiet-hours.js'
import type { Stamp } from './stamps.js'

/** What is remembered of a delivery that waits, beside the lines. */
export interface Progress {
  /** When it could first have gone. */
  since?: MonoSeconds
  /** It waited before this start already. */
  readonly restored?: Stamp
  attempts: number
  /** No attempt of this run has been noted yet. */
  isFresh: boolean
  readonly unsure: Map<WayName, number>
  isUnderWay: boolean
  /** Changes that it stands for. */
  changes: number
  because: string
}

export const newProgress = (attempts = 0, restored?: Stamp): Progress => ({
  attempts,
  isFresh: true,
  unsure: new Map(),
  isUnderWay: false,
  changes: 0,
  because: 'it is new',
  ...(restored ? { restored } : {}),
})

/** What one recipient is to be told of one rule: always the newest, however much came before it. */
export interface Pending {
  readonly recipient: Recipient
  readonly person: PersonBook
  readonly book: RuleBook
  readonly newest: Due
  /** The raise that was not told either. */
  readonly raised?: Due
  readonly progress: Progress
}

/** Undefined where there is nothing to tell. */
export function pendingOf(
  recipient: Recipient,
  person: PersonBook,
  book: RuleBook,
  progressOf: (alias: string, rule: string) => Progress,
): Pending | undefined {
  const newest = newestOf(book)
  if (!newest?.aliases.includes(recipient.alias)) return undefined
  const settled = person.fates.get(book.rule)?.settled ?? 0
  if (newest.id <= settled) return undefined
  const { raised } = book
  const both = newest.notice.state === 'over' && raised !== undefined && raised.id > settled
  const progress = progressOf(recipient.alias, book.rule)
  return { recipient, person, book, newest, progress, ...(both ? { raised } : {}) }
}

/** A rule chatters from the raise that is one too many until it has stood still for long enough. */
export function chatters(newest: Due, quietAfterSeconds: number, now: MonoSeconds): boolean {
  return newest.chatterId > 0 && secondsBetween(newest.stamp.at, now) < quietAfterSeconds
}

/** Why it may not go now; undefined: it may. */
export function heldBecause(
  { recipient, person, book, newest }: Pending,
  ledger: Ledger,
  { quietAfterSeconds }: DeliveryOptions,
  now: MonoSeconds,
  ports: WatchPorts,
): string | undefined {
  const { notice, chatterId } = newest
  const settled = person.fates.get(book.rule)?.settled ?? 0
  if (chatters(newest, quietAfterSeconds, now) && settled >= chatterId)
    return 'it comes and goes: waits until it stands still'
  if (!isDaily(notice) && isMuted(ledger, book.rule, now)) return 'muted'
  return isQuiet(recipient, notice.priority, now, ports) ? 'quiet hours' : undefined
}

export function mutedUntil(ledger: Ledger, rule: string, now: MonoSeconds): number | undefined {
  const ends = [ledger.mutes.get(rule), ledger.mutes.get(everything)].map((mute) => (mute ? endOf(mute) : 0))
  const end = Math.max(...ends)
  return end > now ? end : undefined
}

const isMuted = (ledger: Ledger, rule: string, now: MonoSeconds): boolean =>
  mutedUntil(ledger, rule, now) !== undefined

/** What a message says beside its notice. */
export function tellingOf({ person, book, newest, raised }: Pending): Telling {
  const settled = person.fates.get(book.rule)?.settled ?? 0
  const { acknowledged } = book
  const isTaken = acknowledged !== undefined && acknowledged.id === book.raised?.id
  return {
    code: newest.code,
    ...(raised ? { raised: raised.notice } : {}),
    ...(newest.chatterId > settled ? { chatters: newest.streak } : {}),
    ...(isTaken ? { acknowledgedBy: acknowledged.by } : {}),
  }
}

const ranks: Readonly<Record<Priority, number>> = { high: 0, normal: 1, low: 2 }
export const rankOf = ({ priority }: Notice): number => ranks[priority]
