/** The commands that explain each number of `averages`, one a line. */
import { isMass, numberText } from '../terms/terms.js'
import { decimalsOf, type AveragesFound, type SeriesFigures } from './averages.js'
import type { FigureKind } from './figure-kinds.js'
import { explainCommand, whenText } from './figure-name.js'

/** 'day 2026-03-01 12.34: motepost explain day 2026-03-01 …' */
export function explainLines(found: AveragesFound): string[] {
  const lines = found.figures.flatMap((one) => seriesLines(found, one))
  return lines.length === 0 ? [] : ['', 'Each number again, row by row:', ...lines]
}

function seriesLines({ zone, options, tenMinutes }: AveragesFound, one: SeriesFigures): string[] {
  const { series } = one
  const { channel } = series.column
  const decimals = decimalsOf(series)
  const line = (kind: FigureKind, when: string, value: number): string[] =>
    Number.isNaN(value)
      ? []
      : [
          `${channel} ${kind} ${when} ${numberText(value, decimals)}: ${explainCommand(kind, [when], series, options)}`,
        ]
  const rows = one.rows.flatMap(({ figure, rolling }) => {
    const when = whenText(figure.from, zone)
    return [
      ...line(tenMinutes ? 'ten-minutes' : 'hour', when, figure.mean),
      ...line('rolling24', when, rolling?.mean ?? NaN),
    ]
  })
  const newest = one.rows.findLast(({ rolling }) => rolling !== undefined)
  const nowCast =
    newest && isMass(channel)
      ? [
          `${channel} nowcast: ${explainCommand('nowcast', [whenText(newest.figure.from, zone)], series, options)}`,
        ]
      : []
  const days = one.days.flatMap((day) => line('day', day.day, day.mean))
  const years = options.years
    ? [...new Set(series.sums.days().map((day) => new Date(day * 86_400_000).getUTCFullYear()))].map(
        (year) =>
          `${channel}, ${year} beside its limits: ${explainCommand('year', [String(year)], series, options)}`,
      )
    : []
  return [...rows, ...nowCast, ...days, ...years]
}
