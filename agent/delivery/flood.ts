import type { MonoSeconds } from '../terms/terms.js'
import type { Priority, Recipient } from './contracts.js'
import { partsSince, type PersonBook } from './ledger.js'
import { ownRules } from './own-rules.js'

const hourSeconds = 3600
const daySeconds = 86_400
/** The summary waits so long after the last single message, so that it says what came at once in one. */
const summaryAfterSeconds = 120
const keptForHigh = 2
const fewestToKeep = 4

export type Passage = 'single' | 'summary' | 'wait'

/**
 * How the next message of alerts may go to a recipient: singly while there are fewer than `mostAnHour` in an hour, then one
 * summary an hour. High priority is counted apart, so that a flood of others does not hold it up.
 * @param underWay messages of that kind that are being sent now
 */
export function passage(
  { sent }: PersonBook,
  isHigh: boolean,
  mostAnHour: number,
  underWay: number,
  now: MonoSeconds,
): Passage {
  const recent = sent.filter(
    (s) =>
      now - s.stamp.at < hourSeconds &&
      s.isHigh === isHigh &&
      s.rule !== ownRules.daily &&
      s.rule !== ownRules.test,
  )
  const singles = recent.filter((s) => !s.isSummary)
  if (singles.filter((s) => s.isSure).length + underWay < mostAnHour) return 'single'
  const newest = Math.max(...singles.map((s) => s.stamp.at))
  const hadSummary = recent.some((s) => s.isSummary && s.isSure)
  return hadSummary || underWay > 0 || now - newest < summaryAfterSeconds ? 'wait' : 'summary'
}

/** SMS that this recipient may still get now: what was begun counts as sent. */
export function smsLeft(
  person: PersonBook,
  { mostSmsADay }: Recipient,
  priority: Priority,
  now: MonoSeconds,
): number {
  const kept = priority !== 'high' && mostSmsADay > fewestToKeep ? keptForHigh : 0
  return mostSmsADay - kept - partsSince(person, 'sms', daySeconds, now)
}
