/**
 * What turns a unit's figures into the reference's: a straight line, one with humidity, or hygroscopic growth with a line;
 * with intervals from resampled blocks of days and a test on days that were not used to draw it. Fit: least squares of
 * reference on unit, because the unit is what will be known later.
 */
import { correctedValue, type CorrectionForm } from '../limits/limits.js'
import { widenedInterval } from './before-after.js'
import { DaySums, type DrawnLine } from './day-sums.js'
import { GrowthSums, mostKappa } from './growth-fit.js'
import { distance, type Distance } from './regression.js'
import { meanOf, percentile7 } from './spread.js'

/** What was measured side by side in one day; hours, or the one pair of daily means. */
export interface DayPairs {
  readonly unit: readonly number[]
  readonly reference: readonly number[]
  /** %RH of the same times, NaN where it is not known; absent where nothing is. */
  readonly humidity?: readonly number[]
}

export type FitKind = CorrectionForm['kind']
export type Interval = readonly [low: number, high: number]

export interface CorrectionFit {
  readonly form: CorrectionForm
  readonly intercept: number
  readonly slope: number
  /** 95 % intervals: percentiles 2.5 and 97.5 of the resampled lines, widened for few blocks as Student's t is. */
  readonly interceptInterval: Interval
  readonly slopeInterval: Interval
  readonly perHumidityInterval?: Interval
  readonly kappaInterval?: Interval
  /** Corrected values of a few raw ones, at the mean humidity of the run where the form knows one. */
  readonly levels: readonly {
    readonly raw: number
    readonly corrected: number
    readonly interval: Interval
  }[]
  readonly meanHumidityPercent?: number
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
export const heldOutFolds = 5
/** µg/m³; told where the run reached them. */
const levelsTold = [5, 10, 15, 25, 35, 50, 75, 100, 150, 250]

/** A draw of days as the caller made it, and how many blocks it is made of. */
export interface Draws {
  readonly draws: Iterable<readonly number[]>
  readonly blocks: number
}

/**
 * @param days in order of time, each with at least one pair; of a form with humidity only pairs that have one (`humidDays`)
 * @param drawn for each resampled line as many indices of days as there are days, in blocks, drawn by the caller
 * @returns undefined with fewer than 10 days, where nothing varies, or where growth has no kappa below 2
 */
export function fitCorrection(
  days: readonly DayPairs[],
  { draws, blocks }: Draws,
  kind: FitKind = 'linear',
): CorrectionFit | undefined {
  if (days.length < leastCorrectionDays) return undefined
  const fitter = fitterOf(days, kind)
  const form = fitter.exact(days.map((_, day) => day))
  const heldOut = form && holdOut(days, fitter.exact)
  if (!form || !heldOut || (form.kind === 'growth' && form.kappa > 0.99 * mostKappa)) return undefined
  const drawn = Array.from(draws, fitter.rough).filter((one) => one !== undefined)
  const humidity = kind === 'linear' ? undefined : meanOf(days.flatMap((day) => day.humidity ?? []))
  const values = days.flatMap(({ unit }) => unit)
  const [lowest, highest] = [values.reduce((a, b) => Math.min(a, b)), values.reduce((a, b) => Math.max(a, b))]
  const intervalOf = (of: (one: CorrectionForm) => number): Interval => {
    const found = drawn.map(of)
    const plain = [percentile7(found, 0.025) ?? NaN, percentile7(found, 0.975) ?? NaN] as const
    return widenedInterval(of(form), plain, blocks)
  }
  return {
    form,
    intercept: form.intercept ?? 0,
    slope: form.slope ?? 1,
    interceptInterval: intervalOf((one) => one.intercept ?? 0),
    slopeInterval: intervalOf((one) => one.slope ?? 1),
    ...(kind === 'linear-humidity'
      ? { perHumidityInterval: intervalOf((one) => (one.kind === kind ? one.perHumidity : NaN)) }
      : {}),
    ...(kind === 'growth'
      ? { kappaInterval: atLeastZero(intervalOf((one) => (one.kind === kind ? one.kappa : NaN))) }
      : {}),
    levels: levelsTold
      .filter((raw) => raw >= lowest && raw <= highest)
      .map((raw) => {
        const at = (one: CorrectionForm): number => correctedValue(one, raw, humidity ?? 0)
        return { raw, corrected: at(form), interval: intervalOf(at) }
      }),
    ...(humidity === undefined ? {} : { meanHumidityPercent: humidity }),
    pairs: values.length,
    days: days.length,
    ...{ lowest, highest, heldOut },
  }
}

const atLeastZero = ([low, high]: Interval): Interval => [Math.max(0, low), high]

type Fit = (draw: readonly number[]) => CorrectionForm | undefined

/** Two ways to the same form: one as fine as it goes, and one for a thousand draws. */
function fitterOf(days: readonly DayPairs[], kind: FitKind): { readonly exact: Fit; readonly rough: Fit } {
  const pairs = days.map(({ unit, reference, humidity }) => ({ x: unit, y: reference, h: humidity }))
  if (kind === 'growth') {
    const sums = new GrowthSums(days.map((day) => ({ ...day, humidity: day.humidity ?? [] })))
    const form = (line: (DrawnLine & { kappa: number }) | undefined): CorrectionForm | undefined =>
      line && { kind, kappa: line.kappa, dryDensity: 1.65, intercept: line.intercept, slope: line.slope }
    return { exact: (draw) => form(sums.exact(draw)), rough: (draw) => form(sums.rough(draw)) }
  }
  const sums = new DaySums(pairs)
  const line: Fit = (draw) => {
    const found = sums.line(draw)
    return found && { kind: 'linear', intercept: found.intercept, slope: found.slope }
  }
  const plane: Fit = (draw) => {
    const { intercept, slope, perHumidity } = sums.plane(draw) ?? {}
    if (intercept === undefined || slope === undefined || perHumidity === undefined) return undefined
    return { kind: 'linear-humidity', intercept, slope, perHumidity }
  }
  const fit = kind === 'linear' ? line : plane
  return { exact: fit, rough: fit }
}

function holdOut(days: readonly DayPairs[], fit: Fit): HeldOut | undefined {
  const foldOf = (day: number): number => Math.floor((day * heldOutFolds) / days.length)
  const reference = days.map((day) => meanOf(day.reference))
  const raw = days.map((day) => meanOf(day.unit))
  const corrected: number[] = []
  for (let fold = 0; fold < heldOutFolds; fold++) {
    const form = fit(days.flatMap((_, day) => (foldOf(day) === fold ? [] : [day])))
    if (!form) return undefined
    for (const [day, { unit, humidity }] of days.entries())
      if (foldOf(day) === fold)
        corrected.push(meanOf(unit.map((value, i) => correctedValue(form, value, humidity?.[i] ?? 0))))
  }
  return { days: days.length, raw: distance(reference, raw)!, corrected: distance(reference, corrected)! }
}

export type HumidityTrouble = 'no-humidity' | 'humidity-too-seldom' | 'humidity-too-even'
/** Between the 5th and the 95th percentile: less tells nothing of what humidity does (common practice, no source). */
export const leastHumidityRange = 20
export const leastHumidityShare = 0.75

/** What a form with humidity is drawn from: pairs with humidity, of growth up to 95 %RH; or why it cannot be drawn. */
export function humidDays(
  days: readonly DayPairs[],
  mostHumidity: number,
): { readonly days: readonly DayPairs[]; readonly range?: Interval; readonly trouble?: HumidityTrouble } {
  const all = days.flatMap(({ humidity, unit }) => humidity ?? unit.map(() => NaN))
  const known = all.filter((value) => !Number.isNaN(value))
  if (known.length === 0) return { days: [], trouble: 'no-humidity' }
  const range = [percentile7(known, 0.05)!, percentile7(known, 0.95)!] as const
  if (known.length < leastHumidityShare * all.length)
    return { days: [], range, trouble: 'humidity-too-seldom' }
  if (range[1] - range[0] < leastHumidityRange) return { days: [], range, trouble: 'humidity-too-even' }
  const usable = days.map(({ unit, reference, humidity = [] }) => {
    const at = unit.flatMap((_, i) => (humidity[i] <= mostHumidity ? [i] : []))
    const of = (values: readonly number[]): number[] => at.map((i) => values[i])
    return { unit: of(unit), reference: of(reference), humidity: of(humidity) }
  })
  return { days: usable.filter(({ unit }) => unit.length > 0), range }
}
