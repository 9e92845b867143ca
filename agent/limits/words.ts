/** What is said to people about days, verdicts and corrections: all of it here, so that it is said the same everywhere. */
import type { AirIndex, IndexOutcome, IndexSource } from './air-index.js'
import type { CorrectionRefusal } from './corrections.js'
import { hoursOfDay, type DayValue } from './day-value.js'
import type { Evidence, Limit } from './kinds.js'
import type { Doubt, Figure, Judgement, Uncertainty, VerdictWord } from './verdict.js'
import type { YearFigure, YearKind } from './year-figure.js'

/** One decimal, as figures beside a limit are shown; a tiny value below zero is not '-0.0'. */
export function figureText(value: number): string {
  const text = value.toFixed(1)
  return text === '-0.0' ? '0.0' : text
}

/** '20 of 24 h: valid'; '13 of 24 h: no verdict, mean so far 31.2'. */
export function dayWords(day: DayValue): string {
  const hours = `${day.hours} of ${hoursOfDay} h`
  if (day.valid && day.method === 'hours-present') return `${hours}: valid`
  if (day.valid) return `${hours}: counts, because it is above even with zero for each missing hour`
  return day.soFar === undefined
    ? `${hours}: no verdict`
    : `${hours}: no verdict, mean so far ${figureText(day.soFar)}`
}

export const verdictWords: Readonly<Record<VerdictWord, string>> = {
  above: 'above',
  below: 'below',
  'too-close-to-tell': 'too close to tell',
  'not-enough-data': 'not enough data',
}

const sensorWords: Readonly<Record<Uncertainty['source'], string>> = {
  'not-compared': 'a sensor not yet compared',
  'side-by-side': 'this sensor after its side-by-side run',
  reference: 'this reference instrument',
}

const doubtWords: Readonly<Record<Exclude<Doubt, 'uncertainty'>, string>> = {
  inferred: 'at least this much: it is inferred from smaller particles, and coarse dust may be missed',
  'over-range': 'at least this much: the sensor was over its range',
}

/** '36.2 against 35: above by arithmetic; too close to tell for a sensor not yet compared'. */
export function judgementWords(figure: Figure, judgement: Judgement, limit: Limit): string {
  const { value } = figure
  if (judgement.arithmetic === undefined || value === undefined)
    return `no figure against ${limit.level}: ${verdictWords[judgement.verdict]}`
  const arithmetic = judgement.arithmetic === 'above' ? 'above' : 'not above'
  // Cut figures are shown cut: 35.09 counts as 35.0 there, and '35.1' would look above.
  const shown = limit.comparison.method === 'cut' ? (judgement.compared ?? value) : value
  return `${beside(shown, limit)}: ${arithmetic} by arithmetic; ${said(judgement, figure.uncertainty)}`
}

/** Shown with as many places as keep it on its own side of the level: 35.04 against 35 is not '35.0'. */
function beside(value: number, limit: Limit): string {
  const text = figureText(value)
  const misleads = Number(text) === limit.level && value !== limit.level
  return `${misleads ? value.toFixed(3) : text} against ${limit.level}`
}

function said({ verdict, doubt }: Judgement, { source, relative, absolute }: Uncertainty): string {
  const words = verdictWords[verdict]
  if (doubt === 'inferred' || doubt === 'over-range') return `${words}: ${doubtWords[doubt]}`
  if (relative === 0 && absolute === 0)
    return `${words} for ${sensorWords[source]}, its uncertainty not stated`
  if (verdict === 'above' || verdict === 'below')
    return `${words}, even with the uncertainty of ${sensorWords[source]}`
  return `${words} for ${sensorWords[source]}`
}

/** '24-hour mean of 35 µg/m³ (3-year mean of annual 98th percentiles; 40 CFR 50.18, (a) and (c))'. */
export const limitWords = (limit: Limit): string =>
  `${limit.title}: ${limit.averaging} mean of ${limit.level} µg/m³ (${limit.formWords}; ${limit.document}, ${limit.clause})`

const sourceWords: Readonly<Record<IndexSource['kind'], string>> = {
  nowcast: 'from the NowCast',
  '24-hour': 'from the 24-hour mean',
}

/** 'index 102, Unhealthy for Sensitive Groups, from the 24-hour mean of 35.9 (EPA-454/B-24-002 (May 2024))'. */
export function indexWords(found: AirIndex, kind: IndexSource['kind']): string {
  const beyond = found.aboveTable ? ', above its table' : ''
  return `index ${found.index}${beyond}, ${found.category}, ${sourceWords[kind]} of ${figureText(found.concentration)} (${found.table.document})`
}

export const noIndexWords: Readonly<Record<Extract<IndexOutcome, { ok: false }>['reason'], string>> = {
  'set-has-no-index': 'this set of limits defines no index for the channel',
  'not-in-force': 'the breakpoints at hand were not in force on that day',
  'figure-not-valid': 'too few hours for an index',
}

const yearKindWords: Readonly<Record<YearKind, (value: number) => string>> = {
  'annual-mean': (value) => `annual mean ${value.toFixed(2)} µg/m³`,
  'percentile-98': (value) => `98th percentile ${figureText(value)} µg/m³`,
  'estimated-exceedances': (value) => `${figureText(value)} estimated exceedances`,
  'days-above': (value) => `${value} ${value === 1 ? 'day' : 'days'} above by arithmetic`,
}

/** '2025: annual mean 17.50 µg/m³; 285 of 365 days valid (78 %, incomplete); one of the 3 years that the form needs'. */
export function yearWords(figure: YearFigure): string {
  const value = figure.value === undefined ? 'no figure' : yearKindWords[figure.kind](figure.value)
  const complete = figure.complete === undefined ? '' : figure.complete ? ', complete' : ', incomplete'
  const days = `${figure.validDays} of ${figure.days} days valid (${figure.capturePercent} %${complete})`
  const years = figure.yearsNeeded > 1 ? `; one of the ${figure.yearsNeeded} years that the form needs` : ''
  return `${figure.year}: ${value}; ${days}${years}`
}

export const evidenceWords: Readonly<Record<Evidence, string>> = {
  read: 'its wording was read',
  restated: 'as other texts restate it',
  memory: 'from memory',
  own: 'set by the owner',
}

export const correctionRefusalWords: Readonly<Record<CorrectionRefusal, string>> = {
  'other-channel': 'the correction is for another channel',
  'other-unit': 'the correction is for another unit',
  'other-scaling': 'the correction is for the other mass output',
  'no-value': 'there is no value to correct',
  'outside-range': 'the value is outside the range that the correction was made for',
  'no-humidity': 'the correction needs the humidity, and there is none',
  'too-humid': 'it was more humid than the correction holds for',
  'no-time': 'the correction changes between two runs, and the time is not known',
}
