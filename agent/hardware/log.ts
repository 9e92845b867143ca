import { pino } from 'pino'
import type { Log } from '../terms/terms.js'
import { LogBudget } from './log-budget.js'
import { RecentLog, type RecentEntry } from './log-recent.js'

export type { RecentEntry } from './log-recent.js'

export interface StandardLog extends Log {
  /** What was logged last, oldest first, without details. */
  recent(): readonly RecentEntry[]
}

const longestDetail = 500
/** What stands around the words and details of an entry. */
const entryBytes = 60

/**
 * One JSON line an entry on standard output; the system's journal stores and rotates. A reader that went away must
 * neither stop nor kill the station, so errors of the stream end here. A budget keeps it from filling the card.
 */
export function standardLog(level: 'debug' | 'info' | 'warn'): StandardLog {
  process.stdout.on('error', () => undefined)
  const destination = pino.destination({ dest: 1, sync: true })
  destination.on('error', () => undefined)
  const logger = pino({ level, base: undefined, timestamp: pino.stdTimeFunctions.isoTime }, destination)
  const budget = new LogBudget()
  const recent = new RecentLog()
  const write = (at: 'info' | 'warn', words: string, details?: Readonly<Record<string, unknown>>): void => {
    const fields = capped(details)
    const bytes = entryBytes + words.length + JSON.stringify(fields).length
    const heldBack = budget.take(words, bytes, performance.now() / 1000)
    if (heldBack === undefined) return
    recent.add(new Date().toISOString(), at, words, details)
    logger[at](heldBack === 0 ? fields : { ...fields, held_back: heldBack }, words)
  }
  return {
    info: (words, details) => write('info', words, details),
    warn: (words, details) => write('warn', words, details),
    recent: () => recent.entries,
  }
}

function capped(details: Readonly<Record<string, unknown>> = {}): Record<string, unknown> {
  return Object.fromEntries(
    Object.entries(details).map(([key, value]) => [
      key,
      typeof value === 'string' && value.length > longestDetail ? value.slice(0, longestDetail) + '…' : value,
    ]),
  )
}
