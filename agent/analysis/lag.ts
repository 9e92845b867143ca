/** Whether two hourly series are labelled alike: one named by the start of its hours beside one named by the end slips by an hour. */
import { leastSquares } from './regression.js'

export interface LagFit {
  /** Hours by which the unit's figures come later than the reference's. */
  readonly lagHours: number
  readonly rSquared: number
  readonly pairs: number
}

export interface LagTest {
  readonly fits: readonly LagFit[]
  /** 0 where the series fit best as they are; undefined with too few hours to tell. */
  readonly slipHours?: number
}

const furthestHours = 3
/** Three days, and a gain that noise does not make of that many hours (common practice, no source). */
const leastPairs = 72
const clearGain = 0.02
/** Slow air changes little in an hour: less of the best is enough where nearly every stretch of three days says the same. */
const steadyGainShare = 0.01
const steadyBlocks = 8
const steadyShare = 0.8

/**
 * @param reference one mean an hour without gaps in time, NaN where it is missing
 * @param unit the same hours of the unit
 */
export function lagTest(reference: readonly number[], unit: readonly number[]): LagTest {
  const lags = Array.from({ length: 2 * furthestHours + 1 }, (_, i) => i - furthestHours)
  const fits = lags.flatMap((lagHours) => fitAt(reference, unit, lagHours))
  const asIs = fits.find(({ lagHours }) => lagHours === 0)
  if (!asIs || asIs.pairs < leastPairs) return { fits }
  const best = fits.reduce((a, b) => (b.rSquared > a.rSquared && b.pairs >= leastPairs ? b : a), asIs)
  const gain = best.rSquared - asIs.rSquared
  const isClear =
    gain >= clearGain || (gain >= steadyGainShare * best.rSquared && isSteady(reference, unit, best.lagHours))
  return { fits, slipHours: isClear ? best.lagHours : 0 }
}

/** Whether a lag fits better than none in four of five stretches of three days, each by itself. */
function isSteady(reference: readonly number[], unit: readonly number[], lagHours: number): boolean {
  let [better, blocks] = [0, 0]
  for (let from = 0; from + leastPairs <= reference.length; from += leastPairs) {
    const part = reference.slice(from, from + leastPairs)
    const [[lagged], [asIs]] = [lagHours, 0].map((lag) => fitAt(part, unit, lag, from))
    if (!lagged || !asIs || asIs.pairs < leastPairs / 2) continue
    blocks++
    if (lagged.rSquared > asIs.rSquared) better++
  }
  return blocks >= steadyBlocks && better >= steadyShare * blocks
}

/** @param from place of the first of these hours of the reference among those of the unit */
function fitAt(reference: readonly number[], unit: readonly number[], lagHours: number, from = 0): LagFit[] {
  const x: number[] = []
  const y: number[] = []
  reference.forEach((value, i) => {
    const beside = unit[from + i + lagHours] ?? NaN
    if (Number.isNaN(value) || Number.isNaN(beside)) return
    x.push(value)
    y.push(beside)
  })
  const line = leastSquares(x, y)
  return line ? [{ lagHours, rSquared: line.rSquared, pairs: line.pairs }] : []
}
