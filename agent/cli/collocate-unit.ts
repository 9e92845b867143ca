/** What is worked out of one unit beside the reference. */
import {
  besideTargets,
  distance,
  driftOf,
  fitCorrection,
  humidDays,
  joinBlocks,
  lagTest,
  leastSquares,
  type CorrectionFit,
  type DayPairs,
  type Distance,
  type Drift,
  type FitKind,
  type HeldOut,
  type HumidityTrouble,
  type Interval,
  type LagTest,
  type Line,
  type SideBySide,
  type Targets,
} from '../analysis/analysis.js'
import { startOfDay } from '../averages/averages.js'
import { mostGrowthHumidity, type Correction } from '../limits/limits.js'
import type { OpenedUnit } from './collocate.js'
import { runOfFit } from './collocate-drift.js'
import { dayMean, hourMean, hoursBetween, type Hours } from './compare-hours.js'
import { blockStarts } from './compare-seed.js'

/** One unit beside the reference. Figures of daily means; the correction of hours, where the reference has hours. */
export interface UnitFound extends OpenedUnit {
  readonly days: number
  /** Hours that count of the hours of the run, 0 to 1. */
  readonly capture: number
  /** Daily means that both have, with their day. */
  readonly pairs: readonly { readonly day: number; readonly reference: number; readonly unit: number }[]
  readonly line?: Line
  readonly distance?: Distance
  readonly targets?: Targets
  /** Absent where the reference has no hours. */
  readonly lag?: LagTest
  readonly fit?: CorrectionFit
  /** Of a form with humidity: why there is none, what was there, and how a plain line does on the same days. */
  readonly humid?: {
    readonly trouble?: HumidityTrouble
    readonly range?: Interval
    readonly plainHeldOut?: HeldOut
  }
  readonly previous?: Correction
  readonly drift?: Drift
}

/** Days lean on the day before: blocks of three are drawn together. */
export const blockDays = 3

export interface About {
  readonly reference: Hours
  readonly days: readonly number[]
  readonly referenceDays: readonly number[]
  readonly byHours: boolean
  readonly seed: number
  readonly run: SideBySide
  readonly form: FitKind
  /** Readings at which drift is told. */
  readonly levels: readonly number[]
}

export function unitFound(
  unit: OpenedUnit,
  unitDays: readonly number[],
  previous: Correction | undefined,
  about: About,
): UnitFound {
  const { reference, days, referenceDays, byHours, run } = about
  const { hours } = unit
  const pairs = days.flatMap((day, i) =>
    Number.isNaN(unitDays[i] + referenceDays[i])
      ? []
      : [{ day, reference: referenceDays[i], unit: unitDays[i] }],
  )
  const [x, y] = [pairs.map((pair) => pair.reference), pairs.map((pair) => pair.unit)]
  const line = leastSquares(x, y)
  const apart = distance(x, y)
  const at = hoursBetween(startOfDay(days[0]), startOfDay(days[days.length - 1] + 1))
  const lag = byHours
    ? lagTest(
        at.map((hour) => hourMean(reference.sums, hour)),
        at.map((hour) => hourMean(hours.sums, hour)),
      )
    : undefined
  const fitted = fitOf(dayPairs(unit, about), about)
  const drift =
    previous && fitted.fit
      ? driftOf(runOfCorrection(previous), runOfFit(fitted.fit), about.levels)
      : undefined
  return {
    ...unit,
    ...{ days: pairs.length, capture: captureOf(hours, days), pairs, line, distance: apart, lag },
    targets: line && apart && besideTargets({ ...run, ...line }),
    ...fitted,
    ...{ previous, drift },
  }
}

const runOfCorrection = ({ form, run }: Correction) => ({ form, interval: run?.interval })

export const captureOf = ({ sums }: Hours, days: readonly number[]): number => {
  const at = hoursBetween(startOfDay(days[0]), startOfDay(days[days.length - 1] + 1))
  return at.filter((hour) => !Number.isNaN(hourMean(sums, hour))).length / at.length
}

function fitOf(pairs: readonly DayPairs[], { form, seed }: About): Pick<UnitFound, 'fit' | 'humid'> {
  const drawn = (days: readonly DayPairs[]) => ({
    draws: drawnDays(days.length, seed),
    blocks: days.length / blockDays,
  })
  if (form === 'linear') return { fit: fitCorrection(pairs, drawn(pairs)) }
  const { days, range, trouble } = humidDays(pairs, form === 'growth' ? mostGrowthHumidity : 100)
  if (trouble) return { humid: { trouble, range } }
  const plain = fitCorrection(days, { draws: [], blocks: days.length / blockDays })
  return { fit: fitCorrection(days, drawn(days), form), humid: { range, plainHeldOut: plain?.heldOut } }
}

/** Pairs of hours by day, or of a day where the reference has no hours; days without a pair are left out. */
function dayPairs({ hours, humidity }: OpenedUnit, { reference, days, byHours }: About): DayPairs[] {
  return days.flatMap((day) => {
    const pairs = byHours
      ? hoursBetween(startOfDay(day), startOfDay(day + 1)).map((at) => [
          hourMean(hours.sums, at),
          hourMean(reference.sums, at),
          humidity.at(at),
        ])
      : [[dayMean(hours.sums, day), dayMean(reference.sums, day), humidity.at(startOfDay(day), true)]]
    const whole = pairs.filter(([u, r]) => !Number.isNaN(u + r))
    const of = (which: number): number[] => whole.map((pair) => pair[which])
    return whole.length > 0 ? [{ unit: of(0), reference: of(1), humidity: of(2) }] : []
  })
}

function* drawnDays(days: number, seed: number): Generator<number[]> {
  const indices = Array.from({ length: days }, (_, i) => i)
  if (days < blockDays) return
  for (const starts of blockStarts(days, blockDays, seed))
    yield joinBlocks(indices, starts, blockDays, false)!
}

/** Which targets a unit misses, in words; none where no line could be drawn. */
export const missedTargets = ({ targets }: UnitFound): string[] =>
  targets
    ? (['slope', 'intercept', 'rSquared', 'error', 'precision'] as const)
        .filter((one) => !targets[one])
        .map((one) => (one === 'rSquared' ? 'R²' : one))
    : ['no line can be drawn']
