import type { DayFigure, PeriodFigure } from '../averages/averages.js'
import { numberText, utcText } from '../terms/terms.js'
import { decimalsOf, utcOf, type AveragesFound, type HourRow, type SeriesFigures } from './averages.js'
import { besideOf, nowCastAt, type Beside, type BesideDay } from './averages-beside.js'
import {
  hourOfDayJson,
  indexJson,
  limitDayJson,
  limitJson,
  nowCastJson,
  uncertaintyJson,
  yearJson,
} from './averages-beside-json.js'
import { yearsOf } from './averages-years.js'
import { isoText, type DeskZone } from './desk-zone.js'

/** What `averages --json` prints: the same facts, unrounded shares in percent with one decimal. */
export function averagesJson(found: AveragesFound): string {
  const { station, storeId, zone, gathered, survey } = found
  return JSON.stringify({
    v: 1,
    station,
    store: storeId,
    zone: { standard_offset_min: zone.offsetMinutes, name: zone.name, source: zone.source },
    limit_set: found.chosen.shown.named ?? null,
    series: found.figures.map((one) => seriesJson(found, one)),
    left_out_s: gathered.leftOut,
    records_without_time: gathered.unplaced.map(({ boot, records, firstSeq, lastSeq, bound = {} }) => ({
      boot,
      records,
      first_seq: firstSeq,
      last_seq: lastSeq,
      ...(bound.earliest === undefined ? {} : { first_not_before: utcText(bound.earliest) }),
      ...(bound.latest === undefined ? {} : { first_not_after: utcText(bound.latest) }),
    })),
    records_placed_by_time_checks: gathered.corrected,
    records_placed_by_other_boots: gathered.bounded,
    records_of_unknown_columns: survey.unexplained,
    damaged_lines: survey.damaged,
  })
}

function seriesJson(found: AveragesFound, one: SeriesFigures): unknown {
  const { series, rows, days } = one
  const { options } = found
  const { column, unit, deployment } = series
  const beside = besideOf(found, one)
  return {
    channel: column.channel,
    unit: column.unit,
    scaling: column.scaling,
    basis: column.basis,
    serial: unit?.serial ?? null,
    deployment: deployment ? { place: deployment.place, from: utcText(deployment.from) } : null,
    ...(beside ? besideJson(found, one, beside) : {}),
    periods: rows.map((row) => rowJson(found, one, beside, row)),
    days: days.map((day, i) => ({
      ...dayJson(day, decimalsOf(series)),
      ...(beside ? besideDayJson(beside, beside.days[i], decimalsOf(series)) : {}),
    })),
    ...(options.detail ? { hours_of_day: hourOfDayJson(one) } : {}),
  }
}

function besideJson(found: AveragesFound, one: SeriesFigures, beside: Beside): Record<string, unknown> {
  const [first] = beside.tables.flatMap(({ days }) => days)
  return {
    correction: beside.corrected ? beside.corrected.correction.name : null,
    humidity_channel: beside.humidity.channel ?? null,
    ...(first ? { uncertainty: uncertaintyJson(first.facts.uncertainty) } : {}),
    limits: beside.tables.map(({ limit }) => limitJson(limit)),
    ...(found.options.years ? { years: yearsOf(found, one, beside).map(yearJson) } : {}),
  }
}

const percent = (share: number): number => Math.round(share * 1000) / 10

export const number = (value: number, decimals: number): number | null =>
  Number.isNaN(value) ? null : Number(numberText(value, decimals))

const figureJson = (figure: PeriodFigure | DayFigure, decimals: number) => ({
  mean: number(figure.mean, decimals),
  ...(figure.atLeast ? { at_least: true } : {}),
  mean_without_marked: number(figure.meanUnmarked, decimals),
  data_capture_percent: percent(figure.dataCapture),
  sampled_share_percent: percent(figure.sampledShare),
})

/** The facts of one hour, or of 10 min, as `averages` and `explain` tell them. */
export function rowJson(
  found: AveragesFound,
  one: SeriesFigures,
  beside: Beside | undefined,
  { figure, rolling }: HourRow,
): Record<string, unknown> {
  const decimals = decimalsOf(one.series)
  const nowCast = rolling && beside ? nowCastAt(found, one, beside, figure.from) : undefined
  const corrected = rolling ? beside?.corrected?.hourOf(figure.from).mean : undefined
  return {
    ...periodJson(figure, decimals, found.zone),
    ...(corrected === undefined ? {} : { corrected: number(corrected, decimals) }),
    ...(rolling
      ? {
          rolling_24h: {
            mean: number(rolling.mean, decimals),
            hours: rolling.hours,
            ...(rolling.atLeast ? { at_least: true } : {}),
          },
        }
      : {}),
    ...(nowCast ? { nowcast: nowCastJson(nowCast) } : {}),
  }
}

const periodJson = (figure: PeriodFigure, decimals: number, zone: DeskZone): Record<string, unknown> => ({
  from: isoText(utcOf(figure.from, zone), zone),
  seconds: figure.seconds,
  kind: figure.kind,
  ...figureJson(figure, decimals),
  used_s: Math.round(figure.usedSeconds * 10) / 10,
  ...(figure.doubled ? { time_recorded_twice: true } : {}),
})

export function dayJson(day: DayFigure, decimals: number): Record<string, unknown> {
  return {
    day: day.day,
    valid: day.valid,
    full_hours: day.fullHours,
    sampled_hours: day.sampledHours,
    ...figureJson(day, decimals),
    highest_hour: number(day.highestHour, decimals),
    lowest_possible: number(day.lowestPossible, decimals),
  }
}

/** What stands beside a day: corrected, without humid hours, verdicts, index. */
export function besideDayJson(beside: Beside, day: BesideDay, decimals: number): Record<string, unknown> {
  const { corrected, dry, humidHours } = day
  const index = beside.indexDays.find((one) => one.day === day.raw.day)
  const verdicts = beside.tables.flatMap(({ limit, days }) =>
    days.filter((one) => one.day === day).map((one) => limitDayJson(one, limit)),
  )
  return {
    ...(corrected ? { corrected: corrected.valid ? number(corrected.mean, decimals) : null } : {}),
    ...(dry
      ? { mean_without_humid: dry.valid ? number(dry.mean, decimals) : null, humid_hours: humidHours }
      : {}),
    verdicts,
    ...(index ? { index: indexJson(index.outcome) } : {}),
  }
}
