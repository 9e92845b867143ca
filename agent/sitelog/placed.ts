/** Entries put on the time line. */
import type { EventLine, MonoSeconds, UtcMillis } from '../terms/terms.js'
import type { SiteEntry } from './kinds.js'

/** UTC of a moment that was recorded without; undefined while no time check of that boot is known. */
export type Resolve = (boot: string, mono: MonoSeconds) => UtcMillis | undefined

export interface Placed {
  readonly number: number
  readonly entry: SiteEntry
  readonly from: UtcMillis
  readonly to?: UtcMillis
}

export type Written = Pick<EventLine, 'boot' | 'mono' | 'utc'>

/** When an entry happened; undefined while that is not known. */
export function place(
  number: number,
  entry: SiteEntry,
  written: Written,
  resolve: Resolve,
): Placed | undefined {
  const at = (time: UtcMillis | 'now' | undefined) =>
    time === 'now' ? (written.utc ?? resolve(written.boot, written.mono)) : time
  const from = at(entry.from)
  const to = at(entry.to)
  if (from === undefined || (entry.to !== undefined && to === undefined)) return undefined
  return { number, entry, from, ...(to === undefined ? {} : { to }) }
}

/** In the order of happening; at one instant what ends a deployment goes before what begins one, then by number. */
export function byTime(a: Placed, b: Placed): number {
  return a.from - b.from || tieRank(a) - tieRank(b) || a.number - b.number
}

const tieRank = (placed: Placed): number => (placed.entry.kind === 'removed' ? 0 : 1)

/** Entries of one slot, or of the whole station, share a key. */
export const slotKey = (slot: string | undefined): string => slot ?? ''

const doubtWords = {
  'corrects-nothing':
    'the correction has no effect: what it names is not there, was withdrawn, or would make no sense so',
  'time-reversed': 'its end lies before its beginning: it has no effect',
  'still-set-up': 'the deployment before it had no removed; it counts as ended here',
  'nothing-set-up': 'nothing was set up at that time',
  'no-visit': 'no visit was going on at that time; it has no effect',
  'visit-not-ended': 'no end was noted: the visit counts as closed by itself',
  'no-zero-result': 'no result was noted within the longest time of a zero check',
  'other-unit': 'by the entries before it another unit was in this slot',
} as const
export type DoubtCode = keyof typeof doubtWords

/** Something in the log that does not fit together: told, never repaired. */
export interface Doubt {
  readonly number: number
  readonly code: DoubtCode
  readonly words: string
}

export const doubt = (number: number, code: DoubtCode): Doubt => ({ number, code, words: doubtWords[code] })
