/** The rolling 24 h and the NowCast at one hour, hour by hour. */
import { isHour, rolling24, type PeriodFigure, type StandardMillis } from '../averages/averages.js'
import type { AirIndex } from '../limits/limits.js'
import { numberText } from '../terms/terms.js'
import { besideOf, nowCastAt } from './averages-beside.js'
import { indexSentence } from './averages-beside-words.js'
import { nowCastJson } from './averages-beside-json.js'
import { number } from './averages-json.js'
import { decimalsOf, type SeriesFigures } from './averages.js'
import { hoursOfSpan, type Asked, type Explained } from './explain.js'
import { explainCommand, whenText } from './figure-name.js'

const hourMillis = 3_600_000

export const hourKind = ({ kind }: PeriodFigure): string =>
  ({ full: 'full', sampled: 'sampled', short: 'too short', empty: 'nothing used' })[kind]

/** Commands that explain hours that count. */
export const hourCommands = (asked: Asked, one: SeriesFigures, hours: readonly StandardMillis[]): string[] =>
  hours
    .filter((at) => one.hourOf(at).usedSeconds > 0)
    .map((at) => explainCommand('hour', [whenText(at, asked.found.zone)], one.series, asked.options))

export function explainRolling(asked: Asked, one: SeriesFigures): Explained | undefined {
  const { from, found } = asked
  const rolling = rolling24(one.series.sums, from, one.hourOf)
  if (rolling.hours === 0) return undefined
  const decimals = decimalsOf(one.series)
  const hours = hoursOfSpan(from - 23 * hourMillis, from + hourMillis)
  const sum = hours
    .map(one.hourOf)
    .filter(isHour)
    .reduce((total, { mean }) => total + mean, 0)
  const text = Number.isNaN(rolling.mean) ? '-' : numberText(rolling.mean, decimals)
  return {
    what: `24 hours that end with the hour from ${whenText(from, found.zone)}`,
    one,
    figure: text,
    facts: {
      rolling_24h: {
        mean: number(rolling.mean, decimals),
        hours: rolling.hours,
        ...(rolling.atLeast ? { at_least: true } : {}),
      },
    },
    heads: ['hour from', 'it is', 'mean'],
    left: 2,
    rows: hours.map((at) => {
      const hour = one.hourOf(at)
      return [whenText(at, found.zone), hourKind(hour), isHour(hour) ? numberText(hour.mean, decimals) : '-']
    }),
    steps: [
      `${rolling.hours} of 24 hours count; 18 are needed`,
      ...(Number.isNaN(rolling.mean)
        ? ['no 24-hour mean']
        : [`mean of these hours, each alike: ${numberText(sum, decimals)} / ${rolling.hours} = ${text}`]),
      ...(rolling.atLeast ? ['an hour was over range: at least this much'] : []),
      'uncorrected, nothing rounded but what is shown',
    ],
    next: hourCommands(asked, one, hours),
  }
}

export function explainNowCast(asked: Asked, one: SeriesFigures): Explained | undefined {
  const { from, found } = asked
  const beside = besideOf(found, one)
  const nowCast = beside && nowCastAt(found, one, beside, from)
  if (!beside || !nowCast) return undefined
  const { figure, index } = nowCast
  const of = beside.corrected?.hourOf ?? one.hourOf
  const hours = Array.from({ length: 12 }, (_, back) => from - back * hourMillis)
  if (hours.every((at) => one.hourOf(at).usedSeconds === 0)) return undefined
  const weight = figure.valid ? figure.weight : NaN
  return {
    what: `NowCast at the hour from ${whenText(from, found.zone)}`,
    one,
    figure: figure.valid ? figure.value.toFixed(1) : '-',
    facts: { nowcast: nowCastJson(nowCast) },
    heads: ['hour from', 'it is', 'mean', 'factor'],
    left: 2,
    rows: hours.map((at, back) => {
      const hour = of(at)
      const mean = isHour(hour) ? hour.mean.toFixed(2) : '-'
      return [
        whenText(at, found.zone),
        hourKind(hour),
        mean,
        isHour(hour) && figure.valid ? (weight ** back).toFixed(4) : '-',
      ]
    }),
    steps: [
      nowCast.isCorrected ? 'of corrected hours' : 'of uncorrected hours',
      'two of the newest three hours must count; an hour below zero counts as zero',
      ...(figure.valid
        ? [
            `weight = lowest / highest of the ${figure.hours} hours that count, at least 0.5: ${weight.toFixed(4)}`,
            `sum of factor x mean over sum of factors = ${figure.value.toFixed(3)}; cut to ${figure.cutValue} for an index`,
          ]
        : [`no NowCast: ${figure.reason}`]),
      "document: US EPA, fact sheet 'PM NowCast'",
      ...(index
        ? [`index: ${indexSentence(index, 'nowcast')}`]
        : ['no index: only the US set defines one (--limits us-national)']),
      ...(index?.ok ? indexSteps(index.value) : []),
    ],
    next: hourCommands(asked, one, hours),
  }
}

/** The row of the table of breakpoints, and the straight line between its ends. */
export function indexSteps({ table, concentration, unrounded, index, aboveTable }: AirIndex): string[] {
  const row = table.rows.find(({ high }) => concentration <= high) ?? table.rows[table.rows.length - 1]
  return [
    `index row: ${row.low} to ${row.high} µg/m³ is ${row.indexLow} to ${row.indexHigh} (${table.document}, ${table.clause})`,
    `(${row.indexHigh} - ${row.indexLow}) / (${row.high} - ${row.low}) x (${concentration} - ${row.low}) + ${row.indexLow} = ${unrounded.toFixed(3)}, rounded ${index}${aboveTable ? '; above the table its last slope goes on' : ''}`,
  ]
}
