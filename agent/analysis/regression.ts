/** Straight lines through pairs: ordinary least squares, the median slope, and how far two series lie apart. */
import { meanOf, medianOf, sumOf } from './spread.js'

export interface Line {
  readonly slope: number
  readonly intercept: number
  /** Square of the correlation, 0 to 1. */
  readonly rSquared: number
  readonly pairs: number
}

const deviations = (values: readonly number[]): number[] => {
  const mean = meanOf(values)
  return values.map((value) => value - mean)
}
const product = (a: readonly number[], b: readonly number[]): number =>
  sumOf(a.map((value, i) => value * b[i]))

/** Least squares of y on x. Undefined with fewer than two pairs or where x or y does not vary. */
export function leastSquares(x: readonly number[], y: readonly number[]): Line | undefined {
  if (x.length !== y.length || x.length < 2) return undefined
  const [dx, dy] = [deviations(x), deviations(y)]
  const [xx, xy, yy] = [product(dx, dx), product(dx, dy), product(dy, dy)]
  if (!(xx > 0) || !(yy > 0)) return undefined
  const slope = xy / xx
  return {
    slope,
    intercept: meanOf(y) - slope * meanOf(x),
    rSquared: xy ** 2 / (xx * yy),
    pairs: x.length,
  }
}

export interface Plane {
  readonly intercept: number
  readonly slope: number
  readonly perHumidity: number
  readonly rSquared: number
  readonly pairs: number
}

/**
 * Least squares of reference = intercept + slope x value + perHumidity x humidity. Undefined with fewer than four pairs, or
 * where the two cannot be told apart because one follows the other.
 */
export function leastSquaresHumid(
  values: readonly number[],
  humidities: readonly number[],
  reference: readonly number[],
): Plane | undefined {
  const n = values.length
  if (n < 4 || humidities.length !== n || reference.length !== n) return undefined
  const [dv, dh, dr] = [deviations(values), deviations(humidities), deviations(reference)]
  const [vv, hh, vh] = [product(dv, dv), product(dh, dh), product(dv, dh)]
  const [vr, hr, rr] = [product(dv, dr), product(dh, dr), product(dr, dr)]
  const determinant = vv * hh - vh ** 2
  if (!(determinant > vv * hh * 1e-12) || !(rr > 0)) return undefined
  const slope = (vr * hh - hr * vh) / determinant
  const perHumidity = (hr * vv - vr * vh) / determinant
  const intercept = meanOf(reference) - slope * meanOf(values) - perHumidity * meanOf(humidities)
  const left = sumOf(dr.map((r, i) => (r - slope * dv[i] - perHumidity * dh[i]) ** 2))
  return { intercept, slope, perHumidity, rSquared: 1 - left / rr, pairs: n }
}

export interface Distance {
  /** Root of the mean square of y - x. */
  readonly rmse: number
  /** Mean of y - x. */
  readonly bias: number
  /** rmse / mean of x, percent; undefined where that mean is not above zero. */
  readonly nrmsePercent?: number
}

/** How far y lies from x, the reference. Undefined without pairs. */
export function distance(x: readonly number[], y: readonly number[]): Distance | undefined {
  if (x.length !== y.length || x.length === 0) return undefined
  const apart = y.map((value, i) => value - x[i])
  const rmse = Math.sqrt(meanOf(apart.map((d) => d ** 2)))
  const reference = meanOf(x)
  return {
    rmse,
    bias: meanOf(apart),
    ...(reference > 0 ? { nrmsePercent: (rmse / reference) * 100 } : {}),
  }
}

export interface MedianLine {
  readonly slope: number
  /** Median of y - slope x t. */
  readonly intercept: number
  /** Rising pairs minus falling ones (Mann-Kendall S). */
  readonly risingMinusFalling: number
}

/** Median of all slopes between two points (Theil 1950, Sen 1968). Undefined where no two points differ in t. */
export function medianSlope(t: readonly number[], y: readonly number[]): MedianLine | undefined {
  if (t.length !== y.length) return undefined
  const slopes: number[] = []
  let risingMinusFalling = 0
  for (let i = 0; i < t.length; i++)
    for (let j = i + 1; j < t.length; j++) {
      if (t[i] === t[j]) continue
      const slope = (y[j] - y[i]) / (t[j] - t[i])
      slopes.push(slope)
      risingMinusFalling += Math.sign(slope)
    }
  if (slopes.length === 0) return undefined
  const slope = medianOf(slopes)
  return { slope, intercept: medianOf(y.map((value, i) => value - slope * t[i])), risingMinusFalling }
}
