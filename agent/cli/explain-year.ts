/** A calendar year beside its limits, day by day. */
import { dayFigure, startOfDay } from '../averages/averages.js'
import { numberText } from '../terms/terms.js'
import { besideOf } from './averages-beside.js'
import { yearJson } from './averages-beside-json.js'
import { limitHeading, yearSentence } from './averages-beside-words.js'
import { yearsOf, type LimitYear } from './averages-years.js'
import { decimalsOf, type SeriesFigures } from './averages.js'
import type { Asked, Explained } from './explain.js'
import { explainCommand } from './figure-name.js'

export function explainYear(asked: Asked, one: SeriesFigures): Explained | undefined {
  const beside = besideOf(asked.found, one)
  const year = new Date(asked.from).getUTCFullYear()
  const years = beside ? yearsOf(asked.found, one, beside).filter(({ figure }) => figure.year === year) : []
  if (years.length === 0) return undefined
  const decimals = decimalsOf(one.series)
  const days = one.days.filter(({ day }) => day.startsWith(`${year}-`))
  const valid = days.filter((day) => day.valid)
  const corrected = beside?.corrected
  return {
    what: `year ${year}`,
    one,
    figure: `${valid.length} valid days`,
    facts: { year, valid_days: valid.length, limits: years.map(yearJson) },
    heads: ['day', 'hours', '24-hour mean', ...(corrected ? ['corrected'] : [])],
    left: 1,
    rows: days.map((day) => [
      day.day,
      String(day.fullHours + day.sampledHours),
      day.valid ? numberText(day.mean, decimals) : '-',
      ...(corrected ? [correctedText(one, day.day, corrected.hourOf, decimals)] : []),
    ]),
    steps: years.flatMap(stepsOf),
    next: days.map(({ day }) => explainCommand('day', [day], one.series, asked.options)),
  }
}

function correctedText(
  one: SeriesFigures,
  day: string,
  hourOf: SeriesFigures['hourOf'],
  decimals: number,
): string {
  const figure = dayFigure(
    one.series.sums,
    Math.round(Date.parse(day) / (startOfDay(1) - startOfDay(0))),
    hourOf,
  )
  return figure.valid ? numberText(figure.mean, decimals) : '-'
}

const ways: Readonly<Record<LimitYear['figure']['kind'], string>> = {
  'annual-mean':
    'mean of daily values; where the form is of quarters, of the four means of quarters, nothing rounded before',
  'percentile-98': '98th percentile: the day at the rank of table 1 of 40 CFR 50 Appendix N',
  'estimated-exceedances':
    'days above x days in the quarter / days with data, each quarter by itself (40 CFR 50 Appendix K)',
  'days-above': 'valid days above the level, counted',
}

function stepsOf(one: LimitYear): string[] {
  const { figure, limit } = one
  const quarters = figure.quarters.map(
    ({ mean, validDays, days, percent, daysAbove }, i) =>
      `  Q${i + 1}: ${mean === undefined ? 'no mean' : `mean ${mean.toFixed(3)}`}, ${validDays} of ${days} days (${percent} %), ${daysAbove} above`,
  )
  return [limitHeading(limit), `  ${ways[figure.kind]}`, ...quarters, `  ${yearSentence(one)}`]
}
