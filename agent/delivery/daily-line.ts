import { faultCatalogue, secondsBetween, type FaultCode, type MonoSeconds } from '../terms/terms.js'
import type { Due } from './notices.js'
import type { WatchPorts } from './quiet-hours.js'

/** Without a trusted clock a line goes when none has gone for a day: the absence of one is the alarm. */
const withoutClockSeconds = 86_400

/**
 * The day of the daily line that is due now, '' where nobody knows the day; undefined: none is due.
 * @param last the newest one
 */
export function dailyLineDue(
  last: Due | undefined,
  startedAt: MonoSeconds,
  hour: number,
  now: MonoSeconds,
  ports: WatchPorts,
): string | undefined {
  const utc = ports.utcAt(now)
  if (utc === undefined)
    return secondsBetween(last?.stamp.at ?? startedAt, now) >= withoutClockSeconds ? '' : undefined
  const watch = ports.watchTime(utc)
  return watch.hour >= hour && watch.day !== last?.day ? watch.day : undefined
}

/** What a daily line has room for. */
const mostTroubles = 3

/** What a daily line says of the faults that stand: how many troubles there are, and the first of them in words. */
export function troublesOf(
  faults: readonly { readonly code: FaultCode }[],
): { readonly troubles: string } | undefined {
  const codes = [...new Set(faults.map(({ code }) => code))]
  const standing = codes.filter((code) => faultCatalogue[code].severity === 'trouble')
  const told = standing.slice(0, mostTroubles).map((code) => faultCatalogue[code].words)
  return standing.length > 0 ? { troubles: `${standing.length} (${told.join('; ')})` } : undefined
}
