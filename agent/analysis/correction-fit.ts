/**
 * A straight line that turns a unit's figures into the reference's, with an interval from resampled blocks of days and a
 * test on days that were not used to draw it. Fit: least squares of reference on unit, because the unit is what will be
 * known later.
 */
import { distance, leastSquares, type Distance } from './regression.js'
import { meanOf, percentile7 } from './spread.js'

/** What was measured side by side in one day; hours, or the one pair of daily means. */
export interface DayPairs {
  readonly unit: readonly number[]
  readonly reference: readonly number[]
}

export interface CorrectionFit {
  readonly intercept: number
  readonly slope: number
  /** 95 % intervals: percentiles 2.5 and 97.5 of the resampled lines. */
  readonly interceptInterval: readonly [number, number]
  readonly slopeInterval: readonly [number, number]
  readonly pairs: number
  readonly days: number
  /** Unit values it was drawn from. */
  readonly lowest: number
  readonly highest: number
  readonly heldOut: HeldOut
}

/** Daily means of days held out in turn, a fifth of the days at a time, in one piece. */
export interface HeldOut {
  readonly days: number
  readonly raw: Distance
  readonly corrected: Distance
}

/** With fewer days a line says more about the weather of that week than about the unit (common practice, no source). */
export const leastCorrectionDays = 10
const folds = 5

/**
 * @param days in order of time, each with at least one pair
 * @param draws for each resampled line as many indices of days as there are days, in blocks, drawn by the caller
 * @returns undefined with fewer than 10 days or where nothing varies
 */
export function fitCorrection(
  days: readonly DayPairs[],
  draws: Iterable<readonly number[]>,
): CorrectionFit | undefined {
  const line = days.length >= leastCorrectionDays ? lineOf(days) : undefined
  const heldOut = line && holdOut(days)
  if (!line || !heldOut) return undefined
  const lines = resampledLines(days, draws)
  const values = days.flatMap(({ unit }) => unit)
  const intervalOf = (of: (one: { slope: number; intercept: number }) => number) =>
    [percentile7(lines.map(of), 0.025) ?? NaN, percentile7(lines.map(of), 0.975) ?? NaN] as const
  return {
    intercept: line.intercept,
    slope: line.slope,
    interceptInterval: intervalOf(({ intercept }) => intercept),
    slopeInterval: intervalOf(({ slope }) => slope),
    pairs: line.pairs,
    days: days.length,
    lowest: values.reduce((a, b) => Math.min(a, b)),
    highest: values.reduce((a, b) => Math.max(a, b)),
    heldOut,
  }
}

/** Sums by day, about the means of all, so that a resampled line costs a few additions a day and loses no digits. */
function resampledLines(
  days: readonly DayPairs[],
  draws: Iterable<readonly number[]>,
): { slope: number; intercept: number }[] {
  const [x0, y0] = [meanOf(days.flatMap(({ unit }) => unit)), meanOf(days.flatMap((day) => day.reference))]
  const sums = days.map(({ unit, reference }) => {
    const about = { n: unit.length, x: 0, y: 0, xx: 0, xy: 0 }
    unit.forEach((value, i) => {
      const [dx, dy] = [value - x0, reference[i] - y0]
      about.x += dx
      about.y += dy
      about.xx += dx * dx
      about.xy += dx * dy
    })
    return about
  })
  return Array.from(draws, (draw) => {
    let [n, x, y, xx, xy] = [0, 0, 0, 0, 0]
    for (const day of draw) {
      const one = sums[day]
      n += one.n
      x += one.x
      y += one.y
      xx += one.xx
      xy += one.xy
    }
    const slope = (xy - (x * y) / n) / (xx - (x * x) / n)
    return { slope, intercept: y0 + y / n - slope * (x0 + x / n) }
  }).filter(({ slope }) => Number.isFinite(slope))
}

const lineOf = (days: readonly DayPairs[]) =>
  leastSquares(
    days.flatMap(({ unit }) => unit),
    days.flatMap(({ reference }) => reference),
  )

function holdOut(days: readonly DayPairs[]): HeldOut | undefined {
  const foldOf = (day: number): number => Math.floor((day * folds) / days.length)
  const reference = days.map((day) => meanOf(day.reference))
  const raw = days.map((day) => meanOf(day.unit))
  const corrected: number[] = []
  for (let fold = 0; fold < folds; fold++) {
    const line = lineOf(days.filter((_, day) => foldOf(day) !== fold))
    if (!line) return undefined
    for (const [day, value] of raw.entries())
      if (foldOf(day) === fold) corrected.push(line.intercept + line.slope * value)
  }
  return { days: days.length, raw: distance(reference, raw)!, corrected: distance(reference, corrected)! }
}
