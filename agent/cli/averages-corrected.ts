/** Hours corrected one by one; the raw hours stay as they are, beside them. */
import { isHour, type HourOf, type PeriodFigure } from '../averages/averages.js'
import { applyCorrection, type Corrected, type Correction } from '../limits/limits.js'
import type { HumidityBeside } from './averages-humidity.js'
import { nameOf } from './desk-records.js'
import type { Series } from './desk-series.js'
import type { DeskZone } from './desk-zone.js'

export interface CorrectedHours {
  readonly correction: Correction
  /** Hours that the correction is refused for do not count here. */
  readonly hourOf: HourOf
  /** What the correction makes of an hour that counts. */
  readonly of: (raw: PeriodFigure) => Corrected
}

/** The correction of the series' own unit; undefined where none was given for it. */
export function correctedHours(
  { column, unit }: Series,
  hourOf: HourOf,
  corrections: readonly Correction[],
  humidity: HumidityBeside,
  { offsetMinutes }: DeskZone,
): CorrectedHours | undefined {
  const channel = nameOf(column.channel)
  const correction = corrections.find(
    (one) => one.channel === channel && one.serial === unit?.serial && one.scaling === column.scaling,
  )
  if (!correction) return undefined
  const of = (raw: PeriodFigure): Corrected => {
    const humidityPercent = humidity.at(raw.from)
    return applyCorrection(correction, {
      ...{ channel, serial: unit?.serial, value: raw.mean, atUtc: raw.from - offsetMinutes * 60_000 },
      ...(column.scaling === undefined ? {} : { scaling: column.scaling }),
      ...(Number.isNaN(humidityPercent) ? {} : { humidityPercent }),
    })
  }
  return { correction, of, hourOf: (from) => correctedHour(hourOf(from), of) }
}

function correctedHour(raw: PeriodFigure, of: CorrectedHours['of']): PeriodFigure {
  const none = { ...raw, mean: NaN, meanUnmarked: NaN }
  if (!isHour(raw)) return none
  const corrected = of(raw)
  return corrected.ok ? { ...raw, mean: corrected.corrected, meanUnmarked: NaN } : { ...none, kind: 'short' }
}
