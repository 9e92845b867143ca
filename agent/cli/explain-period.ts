/** An hour or 10 min, record by record. */
import { blockAt, BlockSums, hourRules, isHour, rolling24, type PeriodFigure } from '../averages/averages.js'
import { correctionRefusalWords } from '../limits/limits.js'
import { numberText } from '../terms/terms.js'
import { besideOf, type Beside } from './averages-beside.js'
import { importedSeries } from './averages-series.js'
import { rowJson } from './averages-json.js'
import { decimalsOf, type SeriesFigures } from './averages.js'
import type { Opened } from './desk.js'
import { recordRows, type RecordRow } from './explain-records.js'
import type { Asked, Explained } from './explain.js'
import { traceCommand, whenText } from './figure-name.js'

export async function explainPeriod(
  asked: Asked,
  one: SeriesFigures,
): Promise<Opened<Explained | undefined>> {
  const { found, from, kind } = asked
  const isTen = kind === 'ten-minutes'
  const rows = await recordRows(asked, one.series)
  if (!rows.ok) return rows
  const figure = isTen ? blockAt(tenMinuteSums(rows.value), from) : one.hourOf(from)
  if (rows.value.length === 0 && figure.kind === 'empty') return { ok: true, value: undefined }
  const beside = isTen ? undefined : besideOf(found, one)
  const rolling = isTen ? undefined : rolling24(one.series.sums, from, one.hourOf)
  const decimals = decimalsOf(one.series)
  return {
    ok: true,
    value: {
      what: `${isTen ? '10 min' : 'hour'} from ${whenText(from, found.zone)}`,
      one,
      figure: figure.kind === 'empty' ? '-' : numberText(figure.mean, decimals),
      facts: rowJson(found, one, beside, { figure, ...(rolling ? { rolling } : {}) }),
      heads: ['line', 'start', 'seconds', 'in it', 'used', 'mean', 'what is said of it'],
      left: 2,
      rows: rows.value.map((row) => cellsOf(row, decimals)),
      steps: isTen ? tenSteps(figure, decimals) : hourSteps(asked, one, figure, beside, decimals),
      next: found.storeId === importedSeries ? [] : [traceCommand('NUMBER', asked.options)],
    },
  }
}

function tenMinuteSums(rows: readonly RecordRow[]): BlockSums {
  const sums = new BlockSums(600)
  for (const { piece } of rows) sums.add(piece)
  return sums
}

const seconds = (value: number): string => numberText(value, 1)

function cellsOf({ line, start, piece, inside, used, words }: RecordRow, decimals: number): string[] {
  return [
    line,
    start,
    seconds(piece.seconds),
    seconds(inside),
    seconds(used),
    Number.isNaN(piece.mean) ? '-' : numberText(piece.mean, decimals),
    words,
  ]
}

const tenSteps = (figure: PeriodFigure, decimals: number): string[] => [
  ...sumStep(figure, decimals),
  `${seconds(figure.usedSeconds)} s used of 600: ${figure.kind === 'full' ? 'a 10-min mean' : 'short of the 450 s that a 10-min mean needs'}`,
]

const sumStep = ({ usedSeconds, mean }: PeriodFigure, decimals: number): string[] =>
  usedSeconds > 0
    ? [
        `sum of mean x used = ${numberText(mean * usedSeconds, 1)}, over ${seconds(usedSeconds)} s used = ${numberText(mean, decimals)}`,
      ]
    : ['no second was used: there is no mean']

function hourSteps(
  asked: Asked,
  one: SeriesFigures,
  figure: PeriodFigure,
  beside: Beside | undefined,
  decimals: number,
): string[] {
  const quarters = Array.from({ length: 4 }, (_, i) => one.series.sums.at(asked.from + i * 900_000))
  const means = quarters.map(({ sum, usedSeconds }) => (usedSeconds > 0 ? sum / usedSeconds : NaN))
  const told = quarters.map(({ usedSeconds }, i) =>
    usedSeconds > 0 ? `${numberText(means[i], decimals)} (${seconds(usedSeconds)} s)` : 'nothing',
  )
  return [
    `quarter-hours: ${told.join(', ')}`,
    ...kindSteps(figure, decimals),
    `data capture: ${seconds(figure.usedSeconds)} used of ${seconds(figure.plannedSeconds)} s planned = ${(figure.dataCapture * 100).toFixed(1)} %; sampled share: of 3600 s = ${(figure.sampledShare * 100).toFixed(1)} %`,
    ...(figure.unmarkedSeconds < figure.usedSeconds
      ? [
          `without marked seconds: ${Number.isNaN(figure.meanUnmarked) ? 'no mean' : numberText(figure.meanUnmarked, decimals)} over ${seconds(figure.unmarkedSeconds)} s`,
        ]
      : ['no used second is marked']),
    ...(figure.atLeast ? ['a part was over range: at least this much'] : []),
    ...(figure.doubled ? ['more time was recorded than an hour has: the clock was set back'] : []),
    `shown with ${decimals} decimals, nothing else rounded`,
    correctionStep(one, figure, beside, decimals),
  ]
}

function kindSteps(figure: PeriodFigure, decimals: number): string[] {
  const used = `${(figure.usedSeconds / 60).toFixed(1)} min used`
  const least = hourRules.fullSeconds / 60
  if (figure.kind === 'full')
    return [`${used}, at least ${least}: a full hour, each used second alike`, ...sumStep(figure, decimals)]
  if (figure.kind === 'sampled')
    return [
      `${used}, at least ${hourRules.sampledSeconds / 60} in all four quarter-hours: a sampled hour, the mean of the four quarter-hours, each alike = ${numberText(figure.mean, decimals)}`,
    ]
  return [
    `${used}: neither a full hour (${least} min) nor a sampled one; a mean so far`,
    ...sumStep(figure, decimals),
  ]
}

export function correctionStep(
  { series }: SeriesFigures,
  figure: PeriodFigure,
  beside: Beside | undefined,
  decimals: number,
): string {
  const corrected = beside?.corrected
  if (!corrected)
    return `uncorrected: no correction was given for unit ${series.unit?.serial ?? 'not recorded'}`
  if (!isHour(figure)) return 'not corrected: only hours that count are'
  const humidity = beside.humidity.at(figure.from)
  const damp = Number.isNaN(humidity) ? 'humidity not known' : `${humidity.toFixed(1)} %RH`
  const of = corrected.of(figure)
  const { form, name } = corrected.correction
  if (!of.ok) return `not corrected: ${correctionRefusalWords[of.refused]} (${damp})`
  const numbers = Object.entries(form)
    .filter(([key]) => key !== 'kind')
    .map(([key, value]) => `${key} ${value}`)
  return `corrected by '${name}' (${form.kind}: ${numbers.join(', ')}; ${damp}): ${numberText(of.raw, decimals)} becomes ${numberText(of.corrected, decimals)}`
}
