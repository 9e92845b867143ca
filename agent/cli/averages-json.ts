import type { DayFigure, PeriodFigure } from '../averages/averages.js'
import { numberText, utcText } from '../terms/terms.js'
import { decimalsOf, utcOf, type AveragesFound, type HourRow, type SeriesFigures } from './averages.js'
import { isoText, type DeskZone } from './desk-zone.js'

/** What `averages --json` prints: the same facts, unrounded shares in percent with one decimal. */
export function averagesJson(found: AveragesFound): string {
  const { station, storeId, zone, gathered, survey } = found
  return JSON.stringify({
    v: 1,
    station,
    store: storeId,
    zone: { standard_offset_min: zone.offsetMinutes, name: zone.name, source: zone.source },
    series: found.figures.map((one) => seriesJson(one, zone)),
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

function seriesJson({ series, rows, days }: SeriesFigures, zone: DeskZone): unknown {
  const { column, unit, deployment } = series
  const decimals = decimalsOf(series)
  return {
    channel: column.channel,
    unit: column.unit,
    scaling: column.scaling,
    basis: column.basis,
    serial: unit?.serial ?? null,
    deployment: deployment ? { place: deployment.place, from: utcText(deployment.from) } : null,
    periods: rows.map((row) => rowJson(row, decimals, zone)),
    days: days.map((day) => dayJson(day, decimals)),
  }
}

const percent = (share: number): number => Math.round(share * 1000) / 10

const number = (value: number, decimals: number): number | null =>
  Number.isNaN(value) ? null : Number(numberText(value, decimals))

const figureJson = (figure: PeriodFigure | DayFigure, decimals: number) => ({
  mean: number(figure.mean, decimals),
  ...(figure.atLeast ? { at_least: true } : {}),
  mean_without_marked: number(figure.meanUnmarked, decimals),
  data_capture_percent: percent(figure.dataCapture),
  sampled_share_percent: percent(figure.sampledShare),
})

function rowJson({ figure, rolling }: HourRow, decimals: number, zone: DeskZone): unknown {
  return {
    from: isoText(utcOf(figure.from, zone), zone),
    seconds: figure.seconds,
    kind: figure.kind,
    ...figureJson(figure, decimals),
    used_s: Math.round(figure.usedSeconds * 10) / 10,
    ...(figure.doubled ? { time_recorded_twice: true } : {}),
    ...(rolling
      ? {
          rolling_24h: {
            mean: number(rolling.mean, decimals),
            hours: rolling.hours,
            ...(rolling.atLeast ? { at_least: true } : {}),
          },
        }
      : {}),
  }
}

function dayJson(day: DayFigure, decimals: number): unknown {
  return {
    day: day.day,
    valid: day.valid,
    full_hours: day.fullHours,
    sampled_hours: day.sampledHours,
    ...figureJson(day, decimals),
    highest_hour: number(day.highestHour, decimals),
  }
}
