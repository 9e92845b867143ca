/**
 * The air quality index of a set whose documents define one. It is taken of a NowCast or of a valid day of 24 hours and of
 * nothing else: an index of a minute or an hour has no meaning in those documents.
 */
import { cut, exact, plus, rounded, times, toNumber, whole, type Exact } from './exact.js'
import type { IndexRow, IndexTable, LimitChannel, LimitSet } from './kinds.js'
import type { DayValue } from './day-value.js'
import type { NowCast } from './nowcast.js'

/** What an index may be taken of. */
export type IndexSource =
  | { readonly kind: 'nowcast'; readonly figure: NowCast }
  | { readonly kind: '24-hour'; readonly figure: DayValue }

export interface AirIndex {
  readonly index: number
  readonly category: string
  /** Before rounding. */
  readonly unrounded: number
  /** The concentration it was taken of, cut as the document says, µg/m³. */
  readonly concentration: number
  /** Above the last row of the table: its slope is carried on. */
  readonly aboveTable: boolean
  readonly table: IndexTable
}

export type IndexOutcome =
  | { readonly ok: true; readonly value: AirIndex }
  | { readonly ok: false; readonly reason: 'set-has-no-index' | 'not-in-force' | 'figure-not-valid' }

/** @param day the local standard day of the figure, 'YYYY-MM-DD': tables change. */
export function airIndex(
  set: LimitSet,
  channel: LimitChannel,
  source: IndexSource,
  day: string,
): IndexOutcome {
  const tables = set.index.filter((table) => table.channel === channel)
  if (tables.length === 0) return { ok: false, reason: 'set-has-no-index' }
  const table = tables.find(({ from, to }) => (from ?? day) <= day && day <= (to ?? day))
  if (!table) return { ok: false, reason: 'not-in-force' }
  if (!source.figure.valid) return { ok: false, reason: 'figure-not-valid' }
  return { ok: true, value: indexOf(table, source.figure.value) }
}

/**
 * I = (Ihigh - Ilow) / (Chigh - Clow) x (C - Clow) + Ilow, rounded to the nearest whole number.
 * @param concentration µg/m³; below zero counts as zero
 */
export function indexOf(table: IndexTable, concentration: number): AirIndex {
  const taken = cut(exact(Math.max(0, concentration)), table.step)
  const value = toNumber(taken)
  const last = table.rows[table.rows.length - 1]
  const row = table.rows.find(({ high }) => value <= high) ?? last
  const unrounded = interpolated(row, taken)
  return {
    index: toNumber(rounded(unrounded, whole(1))),
    category: row.category,
    unrounded: toNumber(unrounded),
    concentration: value,
    aboveTable: value > last.high,
    table,
  }
}

function interpolated(row: IndexRow, concentration: Exact): Exact {
  const over = plus(concentration, exact(-row.low))
  const span = plus(exact(row.high), exact(-row.low))
  const perUnit = times(whole(row.indexHigh - row.indexLow), { top: span.bottom, bottom: span.top })
  return plus(times(over, perUnit), whole(row.indexLow))
}
