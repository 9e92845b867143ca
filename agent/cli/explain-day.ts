/** A day, hour by hour, with the rule of each limit and what its verdict stands on. */
import { hoursInDay, isHour, leastHoursOfDay, type DayFigure } from '../averages/averages.js'
import { cut, exact, intervalOf, toNumber, type Limit } from '../limits/limits.js'
import { numberText } from '../terms/terms.js'
import { besideOf, type Beside, type BesideDay, type LimitDay } from './averages-beside.js'
import { indexSentence, limitHeading, uncertaintyWords, verdictSentence } from './averages-beside-words.js'
import { besideDayJson, dayJson } from './averages-json.js'
import { decimalsOf, type SeriesFigures } from './averages.js'
import { hourCommands, hourKind, indexSteps } from './explain-running.js'
import { hoursOfDay, type Asked, type Explained } from './explain.js'
import { whenText } from './figure-name.js'

export function explainDay(asked: Asked, one: SeriesFigures): Explained | undefined {
  const [raw] = one.days
  if (!raw) return undefined
  const beside = besideOf(asked.found, one)
  const decimals = decimalsOf(one.series)
  const day = beside?.days[0]
  return {
    what: `day ${raw.day}`,
    one,
    figure: Number.isNaN(raw.mean) ? '-' : numberText(raw.mean, decimals),
    facts: { ...dayJson(raw, decimals), ...(beside && day ? besideDayJson(beside, day, decimals) : {}) },
    ...hourTable(asked, one, raw, beside),
    steps: [
      ...daySteps(raw, decimals),
      ...(beside && day ? correctedSteps(beside, day, decimals) : []),
      ...(beside?.tables.flatMap(({ limit, days }) => days.flatMap((of) => limitSteps(of, limit))) ?? []),
      ...(beside ? indexStepsOf(beside) : []),
    ],
    next: hourCommands(asked, one, hoursOfDay(raw.day)),
  }
}

function hourTable(
  { found }: Asked,
  one: SeriesFigures,
  { hours }: DayFigure,
  beside: Beside | undefined,
): Pick<Explained, 'heads' | 'rows' | 'left'> {
  const decimals = decimalsOf(one.series)
  const step = beside?.tables.find(({ limit }) => limit.day.hourCut)?.limit.day.hourCut
  const corrected = beside?.corrected
  const hasHumidity = beside?.humidity.channel !== undefined
  const text = (value: number): string => (Number.isNaN(value) ? '-' : numberText(value, decimals))
  return {
    heads: [
      ...['hour from', 'it is', 'min used', 'mean'],
      ...(corrected ? ['corrected'] : []),
      ...(step ? ['cut'] : []),
      ...(hasHumidity ? ['%RH'] : []),
    ],
    left: 2,
    rows: hours.map((hour) => {
      const own = corrected?.hourOf(hour.from) ?? hour
      const humidity = beside?.humidity.at(hour.from) ?? NaN
      return [
        ...[
          whenText(hour.from, found.zone),
          hourKind(hour),
          (hour.usedSeconds / 60).toFixed(1),
          text(hour.mean),
        ],
        ...(corrected ? [text(own.mean)] : []),
        ...(step ? [isHour(own) ? String(toNumber(cut(exact(own.mean), step))) : '-'] : []),
        ...(hasHumidity ? [Number.isNaN(humidity) ? '-' : humidity.toFixed(1)] : []),
      ]
    }),
  }
}

function daySteps(day: DayFigure, decimals: number): string[] {
  const means = day.hours.filter(isHour).map(({ mean }) => mean)
  if (means.length === 0) return ['no hour counts: there is no figure']
  const sum = means.reduce((total, mean) => total + mean, 0)
  const missing = hoursInDay - means.length
  const text = (value: number): string => numberText(value, decimals)
  return [
    `${means.length} of ${hoursInDay} hours count (${day.fullHours} full, ${day.sampledHours} sampled); a 24-hour mean needs ${leastHoursOfDay} (40 CFR 50 App. N 3.0(c); Directive (EU) 2024/2881 Annex V)`,
    `mean of these hours, each alike: ${text(sum)} / ${means.length} = ${text(day.mean)}${day.valid ? '' : ', a mean so far'}`,
    ...(missing > 0
      ? [
          `with 0 in each of the ${missing} missing hours: ${text(sum)} / ${hoursInDay} = ${text(day.lowestPossible)}, what the day is at least`,
        ]
      : []),
    `data capture ${(day.dataCapture * 100).toFixed(1)} % of planned time, sampled share ${(day.sampledShare * 100).toFixed(1)} % of the day`,
    `highest hour ${text(day.highestHour)}; hours without marked seconds: ${Number.isNaN(day.meanUnmarked) ? `fewer than ${leastHoursOfDay}` : `mean ${text(day.meanUnmarked)}`}`,
    ...(day.atLeast ? ['an hour was over range: at least this much'] : []),
  ]
}

function correctedSteps({ corrected, humidity }: Beside, day: BesideDay, decimals: number): string[] {
  const dry =
    day.dry && humidity.channel !== undefined
      ? [
          `${day.humidHours} humid hours by ${humidity.channel}; mean of the others: ${day.dry.valid ? numberText(day.dry.mean, decimals) : `fewer than ${leastHoursOfDay} are left`}`,
        ]
      : ['no humidity is recorded: humid hours cannot be told']
  if (!corrected || !day.corrected) return ['uncorrected: no correction was given for this unit', ...dry]
  const { fullHours, sampledHours, mean, valid } = day.corrected
  const { name, source } = corrected.correction
  return [
    `corrected hour by hour by '${name}' (${source}): ${fullHours + sampledHours} hours, ${valid ? `mean ${numberText(mean, decimals)}` : `fewer than ${leastHoursOfDay}: no corrected day`}`,
    ...dry,
  ]
}

/** The rule of one limit, from the hours to the verdict. */
function limitSteps(of: LimitDay, limit: Limit): string[] {
  const { judged, facts } = of
  const { hourCut, dayCut, shortDayAtLeast, hoursNeeded } = limit.day
  const rule = [
    hourCut ? `hours cut to ${toNumber(hourCut)}` : 'hours not cut',
    dayCut ? `day cut to ${toNumber(dayCut)}` : 'day not cut',
    `${hoursNeeded} hours needed`,
    ...(shortDayAtLeast
      ? [`fewer count when the mean with 0 for each missing hour is at least ${toNumber(shortDayAtLeast)}`]
      : []),
  ]
  return [
    limitHeading(limit),
    `  day rule: ${rule.join('; ')}`,
    `  ${judged.words[0]}${valueWords(of)}`,
    ...(judged.day.valid ? comparison(of, limit) : []),
    ...(judged.day.valid
      ? [`  basis: ${facts.basis}; uncertainty: ${uncertaintyWords(facts.uncertainty)}`]
      : []),
    `  ${verdictSentence(of, limit)}`,
  ]
}

function valueWords({ judged: { day }, isCorrected }: LimitDay): string {
  if (!day.valid) return ''
  const of = isCorrected ? 'corrected' : 'uncorrected'
  return `; ${of} value ${day.value}${day.value === day.uncut ? '' : ` (before the cut ${day.uncut.toFixed(4)})`}`
}

function comparison({ judged: { judgement, day }, facts }: LimitDay, limit: Limit): string[] {
  const { method, step } = limit.comparison
  const how =
    method === 'as-computed' ? 'compared as computed' : `${method} to ${toNumber(step)} before comparing`
  const [low, high] = judgement.interval ?? intervalOf(day.valid ? day.value : NaN, facts.uncertainty)
  return [
    `  ${how}: ${judgement.compared} against ${limit.level}; true value expected from ${low.toFixed(2)} to ${high.toFixed(2)}`,
  ]
}

function indexStepsOf({ indexDays }: Beside): string[] {
  return indexDays.flatMap(({ outcome }) => [
    `index: ${indexSentence(outcome, '24-hour')}`,
    ...(outcome.ok ? indexSteps(outcome.value) : []),
  ])
}
