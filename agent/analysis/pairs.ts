/** Two units side by side: how far they lie apart, and how much of it one of them scatters by itself. */
import { leastSquares } from './regression.js'
import { meanOf } from './spread.js'

export interface UnitPair {
  /** Places in the list of units. */
  readonly first: number
  readonly second: number
  readonly days: number
  /** Mean of second - first, µg/m³. */
  readonly difference: number
  /** Standard deviation of the differences over the root of two: what one unit scatters, µg/m³; only with 2 days or more. */
  readonly sd?: number
  /** sd as a share of the mean of both, percent. */
  readonly cvPercent?: number
  readonly rSquared?: number
}

/** @param units daily means by unit, NaN where one is missing; days of a pair are those on which both are there */
export function unitPairs(units: readonly (readonly number[])[]): UnitPair[] {
  return units.flatMap((a, first) =>
    units.slice(first + 1).flatMap((b, beyond): UnitPair[] => {
      const both = a.flatMap((value, day) => (Number.isNaN(value + (b[day] ?? NaN)) ? [] : [[value, b[day]]]))
      if (both.length === 0) return []
      return [{ first, second: first + 1 + beyond, ...figures(both) }]
    }),
  )
}

function figures(both: readonly (readonly number[])[]): Omit<UnitPair, 'first' | 'second'> {
  const differences = both.map(([a, b]) => b - a)
  const difference = meanOf(differences)
  const squares = differences.reduce((sum, d) => sum + (d - difference) ** 2, 0)
  const sd = Math.sqrt(squares / (both.length - 1) / 2)
  const mean = meanOf(both.flat())
  const line = leastSquares(
    both.map(([a]) => a),
    both.map(([, b]) => b),
  )
  return {
    days: both.length,
    difference,
    ...(both.length > 1 ? { sd } : {}),
    ...(both.length > 1 && mean > 0 ? { cvPercent: (sd / mean) * 100 } : {}),
    ...(line ? { rSquared: line.rSquared } : {}),
  }
}
