import { secondsBetween, type MonoSeconds } from '../terms/terms.js'
import { shortCode } from './codes.js'
import type { DeliveryOptions, Notice, Priority, Recipient } from './contracts.js'
import { newestOf, type Ledger, type RuleBook } from './ledger.js'
import { longestName, type DueWords } from './notices.js'

const ranks: Readonly<Record<Priority, number>> = { low: 0, normal: 1, high: 2 }

/** Why a notice is nothing to tell; undefined: it is. */
export function refusal({ id, rule, state }: Notice, ledger: Ledger): string | undefined {
  const number = Number(id)
  if (!Number.isSafeInteger(number) || number <= 0) return 'no number'
  if (rule === '' || rule.length > longestName) return 'no rule'
  const book = ledger.rules.get(rule)
  if (number <= (book ? (newestOf(book)?.id ?? 0) : 0)) return 'known'
  return state === 'over' && !book?.raised ? 'never raised' : undefined
}

/** To whom it is due, with which code, and whether its rule comes and goes by now. */
export function dueWords(
  notice: Notice,
  book: RuleBook | undefined,
  ledger: Ledger,
  options: DeliveryOptions,
  now: MonoSeconds,
): DueWords {
  const { raised } = book ?? {}
  const { quietAfterSeconds, chattersAfter, storeId } = options
  const last = book && newestOf(book)
  const isInARow = last !== undefined && secondsBetween(last.stamp.at, now) <= quietAfterSeconds
  const streak = (isInARow ? last.streak : 0) + (notice.state === 'raised' ? 1 : 0)
  const before = isInARow ? last.chatterId : 0
  const chatterId =
    before === 0 && notice.state === 'raised' && streak >= chattersAfter ? Number(notice.id) : before
  const isEnd = notice.state === 'over' && raised !== undefined
  const code = isEnd ? raised.code : shortCode(storeId, Number(notice.id), (taken) => isTaken(ledger, taken))
  return { code, aliases: aliasesFor(notice, book, options.recipients), streak, chatterId }
}

/** Who was not told of the raise is not told of its end. */
function aliasesFor(notice: Notice, book: RuleBook | undefined, recipients: readonly Recipient[]): string[] {
  const wanted = recipients
    .filter(({ least }) => ranks[notice.priority] >= ranks[least])
    .map(({ alias }) => alias)
  const heard = notice.state === 'over' ? book?.raised?.aliases : undefined
  return heard ? heard.filter((alias) => recipients.some((r) => r.alias === alias)) : wanted
}

const isTaken = (ledger: Ledger, code: string): boolean =>
  [...ledger.rules.values()].some((book) => newestOf(book)?.code === code)
