/**
 * How far a unit moved between two runs beside a reference: the change of each number of its correction, and of what a few
 * readings are corrected to. Interval of a difference from the intervals of both: Zou and Donner 2008 (Statistics in
 * Medicine 27, 1693; from memory), which takes two runs as independent of each other.
 */
import { correctedValue, type CorrectionForm, type FormInterval } from '../limits/limits.js'
import type { Interval } from './correction-fit.js'

export interface DriftRun {
  readonly form: CorrectionForm
  readonly interval?: FormInterval
}

export interface DriftChange {
  readonly before: number
  readonly after: number
  /** after - before. */
  readonly change: number
  /** 95 %; absent where one of the runs tells none. */
  readonly interval?: Interval
}

export interface DriftLevel extends DriftChange {
  /** Raw reading, µg/m³; before and after are what it is corrected to. */
  readonly raw: number
}

export interface Drift {
  /** Absent where one of the runs has no such number. */
  readonly slope?: DriftChange
  readonly intercept?: DriftChange
  readonly perHumidity?: DriftChange
  readonly kappa?: DriftChange
  readonly levels: readonly DriftLevel[]
  /** At which the levels hold; absent where no form knows humidity. */
  readonly humidityPercent?: number
  /** Whether at some level the interval leaves zero out; undefined where no level has one. */
  readonly isShown?: boolean
}

/** @param raws readings, µg/m³, at which the change is told */
export function driftOf(before: DriftRun, after: DriftRun, raws: readonly number[]): Drift {
  const humidity = after.interval?.levelsHumidityPercent ?? before.interval?.levelsHumidityPercent
  const levels = raws.map((raw) => ({ raw, ...levelChange(before, after, raw, humidity ?? 0) }))
  const told = levels.flatMap(({ interval }) => (interval ? [interval] : []))
  const numbers = (['slope', 'intercept', 'perHumidity', 'kappa'] as const).flatMap((which) => {
    const change = numberChange(before, after, which)
    return change ? [[which, change] as const] : []
  })
  return {
    ...Object.fromEntries(numbers),
    levels,
    ...(humidity === undefined ? {} : { humidityPercent: humidity }),
    ...(told.length > 0 ? { isShown: told.some(([low, high]) => low > 0 || high < 0) } : {}),
  }
}

type NumberName = 'slope' | 'intercept' | 'perHumidity' | 'kappa'

function numberChange(before: DriftRun, after: DriftRun, which: NumberName): DriftChange | undefined {
  const numberOf = ({ form }: DriftRun): number | undefined => {
    if (which === 'perHumidity') return form.kind === 'linear-humidity' ? form.perHumidity : undefined
    if (which === 'kappa') return form.kind === 'growth' ? form.kappa : undefined
    return form[which]
  }
  const [a, b] = [numberOf(before), numberOf(after)]
  if (a === undefined || b === undefined || before.form.kind !== after.form.kind) return undefined
  return changeOf(a, b, before.interval?.[which], after.interval?.[which])
}

function levelChange(before: DriftRun, after: DriftRun, raw: number, humidity: number): DriftChange {
  const [a, b] = [before, after].map(({ form }) => correctedValue(form, raw, humidity))
  return changeOf(a, b, intervalAt(before, raw, a), intervalAt(after, raw, b))
}

/** Between two told levels the distances to both ends go straight, which is a little too wide: they bend upwards. */
function intervalAt({ form, interval }: DriftRun, raw: number, value: number): Interval | undefined {
  const levels = interval?.levels ?? []
  const above = levels.findIndex((level) => level.raw >= raw)
  const exact = levels[above]?.raw === raw
  if (above < 0 || (above === 0 && !exact)) return undefined
  const [low, high] = [levels[exact ? above : above - 1], levels[above]]
  const share = exact ? 0 : (raw - low.raw) / (high.raw - low.raw)
  const end = (which: 0 | 1): number => {
    const apart = ({ raw: at, interval: ends }: typeof low): number =>
      ends[which] - correctedValue(form, at, interval?.levelsHumidityPercent ?? 0)
    return value + apart(low) + share * (apart(high) - apart(low))
  }
  return [end(0), end(1)]
}

function changeOf(before: number, after: number, a?: Interval, b?: Interval): DriftChange {
  const change = after - before
  if (!a || !b) return { before, after, change }
  const low = change - Math.hypot(after - b[0], a[1] - before)
  const high = change + Math.hypot(b[1] - after, before - a[0])
  return { before, after, change, interval: [low, high] }
}
