/** What stands beside the averages of a mass channel, for people. */
import {
  evidenceWords,
  figureText,
  indexWords,
  judgementWords,
  limitWords,
  noIndexWords,
  yearWords,
  type AirIndex,
  type DaysAbove,
  type IndexOutcome,
  type IndexSource,
  type Limit,
  type Uncertainty,
} from '../limits/limits.js'
import { isHour } from '../averages/averages.js'
import { humidFromPercent } from './averages-humidity.js'
import type { Beside, LimitDay, NowCastBeside } from './averages-beside.js'
import type { LimitYear } from './averages-years.js'
import { lineWidth, sentenceTable } from './averages-table.js'
import { folded, tableText } from './plain-text.js'
import { utcOf, type SeriesFigures } from './averages.js'
import { standardText, type DeskZone } from './desk-zone.js'

/** The limit with document, clause and how sure its facts are: once above its table. */
export function limitHeading(limit: Limit): string {
  const { level, comparison, dates } = limit.evidence
  const dated =
    limit.from === undefined ? '' : `; in force from ${limit.from}${limit.to ? ` to ${limit.to}` : ''}`
  const sure =
    limit.set === 'own'
      ? evidenceWords.own
      : `level: ${evidenceWords[level]}; comparison: ${evidenceWords[comparison]}; dates: ${evidenceWords[dates]}`
  return `${limitWords(limit)}${dated} (${sure})${limit.note === undefined ? '' : `. ${limit.note}`}`
}

export function uncertaintyWords({ source, relative, absolute }: Uncertainty): string {
  if (source === 'not-compared')
    return `±${relative * 100} % until a side-by-side run (class of indicative measurement in EU law, from memory)`
  if (source === 'reference')
    return relative === 0
      ? 'none was stated for this reference series: each verdict is by arithmetic only (import --uncertainty states one)'
      : `±${figureText(relative * 100)} %, as stated for this reference series at import`
  return `±${figureText(absolute)} µg/m³ (95 % interval of the side-by-side run)`
}

export function verdictSentence({ judged, isCorrected, day }: LimitDay, limit: Limit): string {
  const beside = judgementWords(judged.figure, judged.judgement, limit)
  if (isCorrected) return `corrected ${beside} (uncorrected ${figureText(day.raw.mean)})`
  return day.corrected ? `uncorrected ${beside}` : beside
}

/** A day without a verdict says so in its hours already. */
function verdictRow(one: LimitDay, limit: Limit): string[] {
  const [hours] = one.judged.words
  const words = one.judged.day.valid ? verdictSentence(one, limit) : ''
  return [one.day.raw.day, words === '' ? hours : `${hours}; ${words}`]
}

export function limitTables({ tables }: Beside): string[] {
  return tables.flatMap(({ limit, days }) => [
    '',
    folded(limitHeading(limit), lineWidth(), 2),
    ...sentenceTable(
      days.map((day) => verdictRow(day, limit)),
      1,
    ),
  ])
}

export function indexLines({ indexDays }: Beside): string[] {
  const [first] = indexDays
  if (!first) return []
  const why = first.outcome.ok ? undefined : first.outcome.reason
  if (why !== undefined && indexDays.every(({ outcome }) => !outcome.ok && outcome.reason === why))
    return [
      '',
      folded(
        `Air quality index of the 24-hour mean: ${indexSentence(first.outcome, '24-hour')}`,
        lineWidth(),
        2,
      ),
    ]
  const rows = indexDays.map(({ day, outcome }) => [day, indexSentence(outcome, '24-hour')])
  return ['', 'Air quality index of the 24-hour mean:', ...sentenceTable(rows, 1)]
}

export const indexSentence = (outcome: IndexOutcome, kind: IndexSource['kind']): string =>
  outcome.ok ? indexWords(outcome.value, kind) : `no index: ${noIndexWords[outcome.reason]}`

export const indexNumber = (outcome: IndexOutcome | undefined): AirIndex['index'] | undefined =>
  outcome?.ok ? outcome.value.index : undefined

export function nowCastSentence({ at, figure, isCorrected, index }: NowCastBeside, zone: DeskZone): string {
  const when = standardText(utcOf(at, zone), zone)
  if (!figure.valid) return `NowCast of the hour from ${when}: none (${figure.reason})`
  const kind = isCorrected ? 'corrected' : 'uncorrected'
  const words = `NowCast of the hour from ${when}: ${figureText(figure.value)} µg/m³ (${kind}; ${figure.hours} of 12 hours, weight ${figure.weight.toFixed(2)})`
  return index?.ok ? `${words}; ${indexSentence(index, 'nowcast')}` : words
}

// ---- years ----------------------------------------------------------------------------------------------------------

export function yearLines(years: readonly LimitYear[]): string[] {
  const limits = [...new Set(years.map(({ limit }) => limit))]
  let quarters = ''
  return limits.flatMap((limit) => {
    const ofLimit = years.filter((one) => one.limit === limit)
    const table = quarterTable(ofLimit, limit.averaging === '24-hour')
    const isTold = table.join() === quarters
    quarters = table.join()
    return [
      '',
      folded(limitHeading(limit), lineWidth(), 2),
      ...ofLimit.map((one) => folded(yearSentence(one), lineWidth(), 2)),
      ...(isTold ? [] : table),
    ]
  })
}

export function yearSentence({ figure, judgement, facts, limit, days, isCorrected }: LimitYear): string {
  const rank =
    figure.rankFromTop === undefined ? '' : `; the value is day ${figure.rankFromTop} from the highest`
  const about = `${yearWords(figure)}${rank}${isCorrected ? '; of corrected days' : ''}`
  if (days) return `${about}; ${daysWords(days)}`
  if (!judgement) return about
  const value = judgement.arithmetic === undefined ? undefined : figure.value
  return `${about}; ${judgementWords({ ...facts, atLeast: false, ...(value === undefined ? {} : { value }) }, judgement, limit)}`
}

export function daysWords({ byArithmetic, surely, possibly, allowed }: DaysAbove): string {
  const allow = allowed === undefined ? '' : `; ${allowed} a year are allowed`
  return `${byArithmetic} by arithmetic, at least ${surely} and at most ${possibly} with the uncertainty${allow}`
}

/** @param ofDays whether days above the level mean anything: beside an annual level they do not */
function quarterTable(years: readonly LimitYear[], ofDays: boolean): string[] {
  const rows = years.flatMap(({ figure }) =>
    figure.quarters.map((quarter, i) => [
      `${figure.year} Q${i + 1}`,
      quarter.mean === undefined ? '-' : quarter.mean.toFixed(2),
      `${quarter.validDays} of ${quarter.days}`,
      `${quarter.percent} %`,
      ...(ofDays ? [String(quarter.daysAbove)] : []),
    ]),
  )
  const heads = ['quarter', 'mean', 'valid days', 'capture', ...(ofDays ? ['days above'] : [])]
  return tableText([heads, ...rows], 1).map((row) => '  ' + row)
}

// ---- detail and notes -----------------------------------------------------------------------------------------------

/** Which hours of the day are missing: a sensor that rests at noon leans its days. */
export function hourOfDayLines({ days }: SeriesFigures): string[] {
  const rows = Array.from({ length: 24 }, (_, hour) => {
    const all = days.map((day) => day.hours[hour])
    const [used, planned] = (['usedSeconds', 'plannedSeconds'] as const).map((key) =>
      all.reduce((sum, one) => sum + one[key], 0),
    )
    const counting = all.filter(isHour)
    return [
      `${String(hour).padStart(2, '0')}:00`,
      planned > 0 ? `${(Math.min(1, used / planned) * 100).toFixed(1)} %` : '-',
      `${((used / (3600 * Math.max(1, all.length))) * 100).toFixed(1)} %`,
      `${counting.length} of ${all.length}`,
    ]
  })
  const heads = ['hour of day', 'data capture', 'sampled share', 'hours that count']
  return ['', ...tableText([heads, ...rows], 1)]
}

export function besideNotes(beside: Beside): string[] {
  return [...humidityNotes(beside), ...correctionNotes(beside), ...uncertaintyNotes(beside)]
}

function humidityNotes({ humidity, days }: Beside): string[] {
  if (humidity.channel === undefined)
    return ['Humidity: none is recorded here, so what damp air and fog add to these figures is not known.']
  const humid = days.reduce((sum, { humidHours }) => sum + humidHours, 0)
  const from = `${humidFromPercent} %RH and more by ${humidity.channel}`
  if (humid === 0) return [`Humidity: no hour of the days shown was humid (${from}).`]
  return [
    `Humidity: ${humid} hours of the days shown were humid (${from}); 'not humid' is the mean of the other hours, where 18 are left.`,
  ]
}

function correctionNotes({ corrected, days }: Beside): string[] {
  if (!corrected) return []
  const { correction } = corrected
  const refused = days
    .flatMap(({ raw }) => raw.hours)
    .filter((hour) => isHour(hour) && !corrected.of(hour).ok).length
  return [
    `Corrected by '${correction.name}' (${correction.source}), hour by hour; mean is the uncorrected one. ` +
      `It holds from ${correction.lowest} to ${correction.highest} µg/m³ and up to ${correction.mostHumidityPercent} %RH` +
      (refused > 0 ? `: ${refused} hours that count were outside of that and have no corrected value.` : '.'),
  ]
}

function uncertaintyNotes({ tables }: Beside): string[] {
  if (tables.length === 0) return ['Limits: no 24-hour limit shown here was in force on these days.']
  const [first] = tables.flatMap(({ days }) => days).filter(({ judged }) => judged.day.valid)
  if (!first) return []
  const basis =
    first.facts.basis === 'inferred'
      ? ' It is inferred from smaller particles: coarse dust may be missed, and below is never said.'
      : ''
  const widest = tables
    .flatMap(({ days }) => days)
    .reduce(
      (most, { facts }) => (facts.uncertainty.absolute > most.absolute ? facts.uncertainty : most),
      first.facts.uncertainty,
    )
  return [
    `Uncertainty: ${widest.source === 'side-by-side' ? 'at most ' : ''}${uncertaintyWords(widest)}.${basis}`,
  ]
}
