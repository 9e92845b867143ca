/** Middles and percentiles. None of them is the regulatory rank of agent/limits: these interpolate or count plainly. */

export const sumOf = (values: readonly number[]): number => values.reduce((sum, value) => sum + value, 0)

/** NaN for no values. */
export const meanOf = (values: readonly number[]): number => sumOf(values) / values.length

const ascending = (values: readonly number[]): Float64Array => Float64Array.from(values).sort()

/**
 * Percentile by linear interpolation between order statistics: h = (n - 1) p. Hyndman and Fan 1996, type 7.
 * @param share 0 to 1
 * @returns undefined for no values
 */
export function percentile7(values: readonly number[], share: number): number | undefined {
  if (values.length === 0) return undefined
  const sorted = ascending(values)
  const h = (sorted.length - 1) * share
  const below = Math.floor(h)
  const above = Math.min(below + 1, sorted.length - 1)
  return sorted[below] + (h - below) * (sorted[above] - sorted[below])
}

/** Share times number may come out a hair above a whole number in binary: 0.07 x 100 is 7.000000000000001. */
const binaryNoise = 1e-9

/** Percentile by nearest rank: the k-th smallest, k = ceil(p n), at least the first. */
export function percentileNearestRank(values: readonly number[], share: number): number | undefined {
  if (values.length === 0) return undefined
  const rank = Math.max(1, Math.ceil(share * values.length - binaryNoise))
  return ascending(values)[Math.min(rank, values.length) - 1]
}

/** NaN for no values. */
export const medianOf = (values: readonly number[]): number => percentile7(values, 0.5) ?? NaN
