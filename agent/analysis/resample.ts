/** What hours and days that follow each other are worth: blocks instead of single values, and how many count as free. */
import { meanOf } from './spread.js'

/**
 * Blocks that begin at given places, joined and cut to the length of the series: moving blocks (Künsch 1989) or, where they
 * run round the end, circular ones (Politis and Romano 1992). A gap is not closed up: its missing values stay in the block.
 * @param starts indices into the series, drawn by the caller from a seed that is printed
 * @returns undefined where a start lies outside or a moving block runs over the end
 */
export function joinBlocks<T>(
  series: readonly T[],
  starts: readonly number[],
  blockLength: number,
  circular: boolean,
): T[] | undefined {
  const lastStart = circular ? series.length - 1 : series.length - blockLength
  const isPlace = (start: number): boolean => Number.isInteger(start) && start >= 0 && start <= lastStart
  if (blockLength < 1 || !starts.every(isPlace)) return undefined
  const joined = starts.flatMap((start) =>
    Array.from({ length: blockLength }, (_, i) => series[(start + i) % series.length]),
  )
  return joined.slice(0, series.length)
}

/** Correlation of each value with the one before it, over the sum of squares of all. NaN for a series without variation. */
export function lagOneCorrelation(series: readonly number[]): number {
  const mean = meanOf(series)
  let squares = 0
  let products = 0
  series.forEach((value, i) => {
    squares += (value - mean) ** 2
    if (i > 0) products += (value - mean) * (series[i - 1] - mean)
  })
  return products / squares
}

/** n (1 - r) / (1 + r): how many values that do not depend on each other tell as much (Bretherton et al. 1999). */
export function effectiveCount(series: readonly number[]): number {
  const r = lagOneCorrelation(series)
  return (series.length * (1 - r)) / (1 + r)
}
