/**
 * Sensors beside a reference: the figures of the US EPA's report on performance testing of PM2.5 sensors (EPA/600/R-20/280,
 * 2021) and its targets. Daily means; y = sensor, x = reference. Targets as other texts restate table ES-2; the formulas of
 * RMSE and SD (divisors N M and N M - 1), 3 sensors and 30 days are from memory.
 */
import { distance, leastSquares, type Line } from './regression.js'
import { meanOf, sumOf } from './spread.js'

export interface SideBySide {
  /** Per sensor; undefined where a line cannot be drawn. */
  readonly lines: readonly (Line | undefined)[]
  /** Days with a reference and at least one sensor. */
  readonly days: number
  /** µg/m³ over all sensors and days. */
  readonly rmse: number
  readonly bias: number
  readonly nrmsePercent?: number
  /** Between the sensors, µg/m³, over days on which all are valid; only with two sensors or more. */
  readonly sd?: number
  readonly cvPercent?: number
}

/**
 * @param reference one daily mean a day, NaN where it is missing
 * @param sensors for each sensor as many daily means, NaN where one is missing
 * @returns undefined without a single pair
 */
export function sideBySide(
  reference: readonly number[],
  sensors: readonly (readonly number[])[],
): SideBySide | undefined {
  const pairs = sensors.map((sensor) => paired(reference, sensor))
  const all = distance(
    pairs.flatMap(({ x }) => x),
    pairs.flatMap(({ y }) => y),
  )
  if (!all) return undefined
  const isDay = (day: number): boolean =>
    !Number.isNaN(reference[day]) && sensors.some((sensor) => !Number.isNaN(sensor[day]))
  const days = reference.filter((_, day) => isDay(day))
  const nrmsePercent = (all.rmse / meanOf(days)) * 100
  return {
    lines: pairs.map(({ x, y }) => leastSquares(x, y)),
    days: days.length,
    rmse: all.rmse,
    bias: all.bias,
    ...(Number.isFinite(nrmsePercent) ? { nrmsePercent } : {}),
    ...precision(sensors),
  }
}

/** Days on which both are there. */
function paired(reference: readonly number[], sensor: readonly number[]): { x: number[]; y: number[] } {
  const both = reference.flatMap((x, day) => {
    const y = sensor[day] ?? NaN
    return Number.isNaN(x) || Number.isNaN(y) ? [] : [[x, y]]
  })
  return { x: both.map(([x]) => x), y: both.map(([, y]) => y) }
}

function precision(sensors: readonly (readonly number[])[]): { sd?: number; cvPercent?: number } {
  if (sensors.length < 2) return {}
  const days = sensors[0]
    .map((_, day) => sensors.map((sensor) => sensor[day] ?? NaN))
    .filter((values) => !values.some(Number.isNaN))
  if (days.length === 0) return {}
  const squares = sumOf(days.map((values) => sumOf(values.map((value) => (value - meanOf(values)) ** 2))))
  const sd = Math.sqrt(squares / (days.length * sensors.length - 1))
  return { sd, cvPercent: (sd / meanOf(days.flat())) * 100 }
}

export const pm25Targets = {
  document: 'EPA/600/R-20/280 (2021), table ES-2',
  slope: [0.65, 1.35],
  intercept: [-5, 5],
  rSquaredAtLeast: 0.7,
  /** One of the two is enough. */
  error: { rmseAtMost: 7, nrmsePercentAtMost: 30 },
  /** One of the two is enough. */
  precision: { sdAtMost: 5, cvPercentAtMost: 30 },
  sensorsAtLeast: 3,
  daysAtLeast: 30,
} as const

export interface TargetFigures {
  readonly slope: number
  readonly intercept: number
  readonly rSquared: number
  readonly rmse: number
  readonly nrmsePercent?: number
  readonly sd?: number
  readonly cvPercent?: number
}

export interface Targets {
  readonly slope: boolean
  readonly intercept: boolean
  readonly rSquared: boolean
  readonly error: boolean
  readonly precision: boolean
  readonly all: boolean
}

/** Each figure of one sensor beside its target; precision is that of the group. */
export function besideTargets(figures: TargetFigures): Targets {
  const within = (value: number, [low, high]: readonly [number, number]): boolean =>
    value >= low && value <= high
  const atMost = (value: number | undefined, most: number): boolean => value !== undefined && value <= most
  const { error, precision: spread } = pm25Targets
  const beside = {
    slope: within(figures.slope, pm25Targets.slope),
    intercept: within(figures.intercept, pm25Targets.intercept),
    rSquared: figures.rSquared >= pm25Targets.rSquaredAtLeast,
    error: atMost(figures.rmse, error.rmseAtMost) || atMost(figures.nrmsePercent, error.nrmsePercentAtMost),
    precision: atMost(figures.sd, spread.sdAtMost) || atMost(figures.cvPercent, spread.cvPercentAtMost),
  }
  return { ...beside, all: Object.values(beside).every(Boolean) }
}

export type TargetVerdict = 'within-targets' | 'outside-targets' | 'indicative-not-judged'

/** With fewer than 3 sensors or 30 days the figures are shown and not judged. */
export function targetVerdict(run: SideBySide): TargetVerdict {
  const { lines, days } = run
  if (lines.length < pm25Targets.sensorsAtLeast || days < pm25Targets.daysAtLeast)
    return 'indicative-not-judged'
  const isWithin = lines.every((line) => line !== undefined && besideTargets({ ...run, ...line }).all)
  return isWithin ? 'within-targets' : 'outside-targets'
}
