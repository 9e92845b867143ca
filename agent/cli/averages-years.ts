/** Figures of calendar years beside the limits that know one: arithmetic, never a finding about the place. */
import { isHour, startOfDay, type HourOf } from '../averages/averages.js'
import {
  daysAbove,
  daysOf,
  hourMeanOf,
  HourSeries,
  judge,
  shownLimits,
  yearFigure,
  type ChannelFacts,
  type DatedDay,
  type DaysAbove,
  type Judgement,
  type Limit,
  type YearFigure,
} from '../limits/limits.js'
import { dayNumber, factsOf, type Beside } from './averages-beside.js'
import type { AveragesFound, SeriesFigures } from './averages.js'

export interface LimitYear {
  readonly limit: Limit
  readonly figure: YearFigure
  readonly isCorrected: boolean
  readonly facts: ChannelFacts
  /** Of a mean or percentile; 'not enough data' for a year that is not complete. */
  readonly judgement?: Judgement
  /** Of days beside a limit that counts them. */
  readonly days?: DaysAbove
}

/** A limit without a capture rule of its own gets no verdict from fewer days than this (common practice, no source). */
const usualCapturePercent = 75

const hourMillis = 3_600_000

/** All years of a series, whatever span is shown: a part of a year is none. */
export function yearsOf(found: AveragesFound, one: SeriesFigures, beside: Beside): LimitYear[] {
  const days = one.series.sums.days()
  const yearOf = (day: number): number => new Date(startOfDay(day)).getUTCFullYear()
  const years = [...new Set(days.map(yearOf))]
  const hours = hoursOf(days, beside.corrected?.hourOf ?? one.hourOf)
  return years.flatMap((year) => {
    const last = days.findLast((day) => yearOf(day) === year)!
    const limits = shownLimits(found.chosen.shown, beside.channel, dayOf(last))
    return limits.map((limit) =>
      limitYear(found, one, beside, { limit, year, days: daysOf(hours, limit.day) }),
    )
  })
}

const dayOf = (day: number): string => new Date(startOfDay(day)).toISOString().slice(0, 10)

const hoursOf = (days: readonly number[], hourOf: HourOf): HourSeries =>
  new HourSeries(
    days
      .flatMap((day) => Array.from({ length: 24 }, (_, i) => hourOf(startOfDay(day) + i * hourMillis)))
      .filter(isHour)
      .map(hourMeanOf),
  )

function limitYear(
  found: AveragesFound,
  one: SeriesFigures,
  beside: Beside,
  { limit, year, days }: { limit: Limit; year: number; days: readonly DatedDay[] },
): LimitYear {
  const figure = yearFigure(days, limit, year)
  const raw = { mean: figure.value ?? NaN, day: `${year}-07-01` }
  const facts = factsOf(one, beside.corrected, raw, found.zone)
  const about = { limit, figure, facts, isCorrected: beside.corrected !== undefined }
  if (figure.kind === 'annual-mean' || figure.kind === 'percentile-98') {
    const isEnough = figure.complete ?? figure.capturePercent >= usualCapturePercent
    const value = isEnough ? figure.value : undefined
    return { ...about, judgement: judge({ ...facts, atLeast: anyOver(one, year), value }, limit) }
  }
  if (figure.kind !== 'days-above') return about
  const ofYear = days.filter(({ day }) => Number(day.slice(0, 4)) === year)
  const figures = ofYear.map(({ day, figure: value }) => ({
    ...factsOf(one, beside.corrected, { mean: value.valid ? value.value : NaN, day }, found.zone),
    atLeast: isOver(one, dayNumber(day)),
    ...(value.valid ? { value: value.value } : {}),
  }))
  return { ...about, days: daysAbove(figures, limit) }
}

const isOver = ({ hourOf }: SeriesFigures, day: number): boolean =>
  Array.from({ length: 24 }, (_, i) => hourOf(startOfDay(day) + i * hourMillis)).some(
    (hour) => isHour(hour) && hour.atLeast,
  )

const anyOver = (one: SeriesFigures, year: number): boolean =>
  one.series.sums
    .days()
    .filter((day) => dayOf(day).startsWith(`${year}-`))
    .some((day) => isOver(one, day))
