import type { Range } from '../terms/terms.js'
import type { Rows } from './verify-rows.js'

/** A number between two rows was told already, or has not arrived: what it said shows in no other way. */
export function isConsequence(from: number, to: number, rows: Rows): boolean {
  const between = (ranges: readonly Range[]): boolean =>
    ranges.some(([first, last]) => first < to && last > from)
  const leftOut = rows.skips.filter((skip) => skip.seq > to).map((skip) => [skip.from, skip.to] as const)
  return (
    between(rows.told.ranges()) ||
    between(leftOut) ||
    (rows.isArchive && rows.held.gaps(from + 1, to - 1).length > 0)
  )
}
