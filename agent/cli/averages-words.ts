/** The tables of `averages`, for people. */
import { importedSeries } from './averages-series.js'
import { hoursInDay, leastHoursOfDay, type DayFigure } from '../averages/averages.js'
import { isMass, numberText } from '../terms/terms.js'
import {
  decimalsOf,
  usualDays,
  utcOf,
  type AveragesFound,
  type HourRow,
  type SeriesFigures,
} from './averages.js'
import { unplacedText } from './desk-records.js'
import { standardText, timesLine, type DeskZone } from './desk-zone.js'
import { besideOf, nowCastAt, type Beside, type BesideDay } from './averages-beside.js'
import {
  besideNotes,
  hourOfDayLines,
  indexLines,
  limitTables,
  nowCastSentence,
  yearLines,
} from './averages-beside-words.js'
import { explainLines } from './averages-explained.js'
import { lineWidth, sentenceTable } from './averages-table.js'
import { yearsOf } from './averages-years.js'
import { chosenWords } from './limits-chosen.js'
import { folded, tableText, textWidth } from './plain-text.js'

export function averagesText(found: AveragesFound): string[] {
  const { station, storeId, zone, figures, tenMinutes, options } = found
  const what = storeId === importedSeries ? importedSeries : `store ${storeId}`
  const lines = [`${station}, ${what}`, timesLine(zone)]
  if (figures.length > 0) lines.push(folded(explained(tenMinutes), textWidth))
  const all = figures.map((one) => ({ one, beside: besideOf(found, one) }))
  for (const { one, beside } of all) lines.push('', ...seriesText(found, one, beside))
  if (options.detail) lines.push(...explainLines(found))
  const notes = notesOf(found)
  return [...lines, ...(notes.length > 0 ? ['', ...notes.map((note) => folded(note, textWidth, 2))] : [])]
}

const explained = (tenMinutes: boolean): string =>
  'Means are uncorrected. Data capture: used of planned time; sampled share: used of the whole time. ' +
  (tenMinutes
    ? 'A 10-min mean needs 7.5 min used.'
    : 'A full hour has at least 45 min used; a sampled hour at least 12 min in all four quarter-hours. 24 h: mean of ' +
      'the 24 hours that end with this one.')

/** 'pm10, µg/m³, atmospheric, inferred; unit B-17; at the gate since 2026-03-01 10:00'. */
function titleOf({ series }: SeriesFigures, zone: DeskZone): string {
  const { column, unit, deployment } = series
  const measure = column.unit.replace('ug/m3', 'µg/m³')
  const kind = [column.channel, measure, column.scaling, column.basis].filter(Boolean).join(', ')
  const place = deployment
    ? `${deployment.place} since ${standardText(deployment.from, zone)}`
    : 'no deployment in the site log'
  return `${kind}; unit ${unit?.serial ?? 'not recorded'}; ${place}`
}

function seriesText(found: AveragesFound, one: SeriesFigures, beside: Beside | undefined): string[] {
  const { zone, tenMinutes, options } = found
  const years = options.years && beside ? yearsOf(found, one, beside) : []
  const notes = beside ? besideNotes(beside) : []
  return [
    folded(titleOf(one, zone), lineWidth(), 2),
    ...periodTable(one, beside, zone, tenMinutes),
    ...nowCastLines(found, one, beside),
    ...dayTable(one, beside),
    ...(beside ? [...limitTables(beside), ...indexLines(beside), ...yearLines(years)] : []),
    ...(options.detail ? hourOfDayLines(one) : []),
    ...(notes.length > 0 ? ['', ...notes.map((note) => folded(note, textWidth, 2))] : []),
  ]
}

function periodTable(
  one: SeriesFigures,
  beside: Beside | undefined,
  zone: DeskZone,
  tenMinutes: boolean,
): string[] {
  if (one.rows.length === 0) return []
  const text = figureWith(decimalsOf(one.series))
  const corrected = tenMinutes ? undefined : beside?.corrected?.hourOf
  const cells = one.rows.map((row) => {
    const [from, mean, ...rest] = rowCells(row, zone, text)
    return [from, mean, ...(corrected ? [text(corrected(row.figure.from).mean)] : []), ...rest]
  })
  const heads = (tenMinutes ? blockHeads : hourHeads).map(([from, mean, ...rest], i) => [
    ...[from, mean, ...(corrected ? [i === 1 ? 'corrected' : ''] : [])],
    ...rest,
  ])
  return tableText([...heads, ...cells], 1)
}

function nowCastLines(found: AveragesFound, one: SeriesFigures, beside: Beside | undefined): string[] {
  const newest = one.rows.findLast(({ rolling }) => rolling !== undefined)
  const nowCast = newest && beside ? nowCastAt(found, one, beside, newest.figure.from) : undefined
  return nowCast ? [folded(nowCastSentence(nowCast, found.zone), lineWidth(), 2)] : []
}

function dayTable(one: SeriesFigures, beside: Beside | undefined): string[] {
  if (one.days.length === 0) return []
  const text = figureWith(decimalsOf(one.series))
  const neverNegative = isMass(one.series.column.channel)
  const besides = beside?.days ?? []
  const hasCorrected = besides.some(({ corrected }) => corrected)
  const hasHumid = besides.some(({ humidHours }) => humidHours > 0)
  const extra = (day: BesideDay | undefined): string[] => [
    ...(hasCorrected ? [text(day?.corrected?.valid ? day.corrected.mean : NaN)] : []),
    ...(hasHumid ? [text(day?.dry?.valid ? day.dry.mean : NaN)] : []),
  ]
  const headsOf = [hasCorrected ? 'corrected' : '', hasHumid ? 'not humid' : ''].filter(Boolean)
  const rows = one.days.map((day, i) => {
    const [name, mean, ...rest] = dayCells(day, text, neverNegative)
    return [name, mean, ...extra(besides[i]), ...rest]
  })
  const heads = dayHeads.map(([name, mean, ...rest], i) => [
    ...[name, mean, ...headsOf.map((head) => (i === 1 ? head : ''))],
    ...rest,
  ])
  return ['', ...sentenceTable([...heads, ...rows], 1)]
}

const blockHeads = [
  ['', '', '', 'data', 'sampled', ''],
  ['10 min from', 'mean', 'unmarked', 'capture', 'share', 'it is'],
]
const hourHeads = [
  [...blockHeads[0], ''],
  ['hour from', ...blockHeads[1].slice(1), '24 h'],
]
const dayHeads = [
  ['', '', '', 'data', 'sampled', 'highest', '', ''],
  ['day', 'mean', 'unmarked', 'capture', 'share', 'hour', 'hours', 'what it is'],
]

type FigureText = (value: number, atLeast?: boolean) => string

const figureWith =
  (decimals: number): FigureText =>
  (value, atLeast = false) =>
    Number.isNaN(value) ? '-' : `${atLeast ? 'at least ' : ''}${numberText(value, decimals)}`

const percent = (share: number): string => `${(share * 100).toFixed(1)} %`

function rowCells({ figure, rolling }: HourRow, zone: DeskZone, text: FigureText): string[] {
  const short = `${shortMinutes(figure.usedSeconds)} min only`
  const is = { full: 'full', sampled: 'sampled', empty: 'nothing used', short }[figure.kind]
  return [
    standardText(utcOf(figure.from, zone), zone),
    text(figure.mean, figure.atLeast),
    text(figure.meanUnmarked),
    percent(figure.dataCapture),
    percent(figure.sampledShare),
    is + (figure.doubled ? ', recorded twice' : ''),
    ...(rolling ? [rollingCell(rolling, text)] : []),
  ]
}

/** Rounded down: 44.99 min are not 45. */
const shortMinutes = (seconds: number): string => (Math.floor(seconds / 6) / 10).toFixed(1)

const rollingCell = ({ mean, hours, atLeast }: NonNullable<HourRow['rolling']>, text: FigureText): string =>
  Number.isNaN(mean) ? `${hours} of ${hoursInDay} h` : text(mean, atLeast)

function dayCells(day: DayFigure, text: FigureText, neverNegative: boolean): string[] {
  return [
    day.day,
    text(day.mean, day.atLeast),
    text(day.meanUnmarked),
    percent(day.dataCapture),
    percent(day.sampledShare),
    text(day.highestHour, day.atLeast),
    `${day.fullHours + day.sampledHours}${day.sampledHours > 0 ? ` (${day.sampledHours} sampled)` : ''}`,
    verdictOf(day, text, neverNegative),
  ]
}

/** What may be concluded of a day. */
function verdictOf(day: DayFigure, text: FigureText, neverNegative: boolean): string {
  const counting = day.fullHours + day.sampledHours
  if (day.valid)
    return counting === hoursInDay ? '24-hour mean' : `24-hour mean (${counting} of ${hoursInDay} h)`
  const none = `${counting} of ${hoursInDay} h: no 24-hour mean`
  if (counting === 0) return none
  const least = neverNegative ? `; the day is at least ${text(day.lowestPossible)}` : ''
  return `${none}; mean so far ${text(day.mean, day.atLeast)}${least}`
}

function notesOf({ figures, gathered, survey, shortened, tenMinutes, chosen }: AveragesFound): string[] {
  const notes: string[] = []
  if (figures.length === 0)
    notes.push(
      survey.records === 0 ? 'There are no records here yet.' : 'No record of that time and channel counts.',
    )
  if (figures.some(({ series }) => isMass(series.column.channel)))
    notes.push(`Limits: ${chosenWords(chosen)}; --limits names another set, --years adds calendar years.`)
  if (shortened && figures.length > 0)
    notes.push(
      `Shown: ${tenMinutes ? '10-min means' : 'hours'} of the last ${usualDays.rows} days, and up to ${usualDays.days} days; --from and --to show others.`,
    )
  const left = Object.entries(gathered.leftOut).filter(([, seconds]) => seconds >= 1)
  for (const [why, seconds] of left)
    notes.push(
      `Left out by the site log: ${(seconds / 60).toFixed(1)} min, ${why}. The records stay as they are.`,
    )
  if (gathered.corrected > 0)
    notes.push(
      `${gathered.corrected} records that did not know the time were placed by time checks of their boot.`,
    )
  if (gathered.bounded > 0)
    notes.push(
      `${gathered.bounded} records of boots without a time check are placed within half a minute by the boots before and after.`,
    )
  for (const one of gathered.unplaced) notes.push(`NOT IN THESE FIGURES: ${unplacedText(one)}.`)
  if (survey.unexplained > 0)
    notes.push(`NOT IN THESE FIGURES: ${survey.unexplained} records whose columns line is damaged.`)
  if (survey.damaged > 0)
    notes.push(`${survey.damaged} damaged lines were passed over; motepost verify names them.`)
  if (new Set(figures.map(({ series }) => series.unit?.serial)).size > 1)
    notes.push('The unit was changed: each has rows of its own, and no figure is of both.')
  const shortDays = figures.flatMap(({ days }) => days).some(({ valid }) => !valid)
  if (shortDays) notes.push(`A day needs ${leastHoursOfDay} of ${hoursInDay} hours for a 24-hour mean.`)
  return notes
}
