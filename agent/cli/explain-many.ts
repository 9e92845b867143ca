/** The mean of valid days, and what is said of a run of hours. */
import { isHour } from '../averages/averages.js'
import { numberText } from '../terms/terms.js'
import { humidityBeside } from './averages-humidity.js'
import { number } from './averages-json.js'
import { decimalsOf, type SeriesFigures } from './averages.js'
import { hourCommands, hourKind } from './explain-running.js'
import { hoursOfSpan, type Asked, type Explained } from './explain.js'
import { explainCommand, whenText } from './figure-name.js'
import { runFacts, runSteps } from './episodes-facts.js'

export function explainDays(asked: Asked, one: SeriesFigures): Explained | undefined {
  const { days } = one
  if (days.length === 0) return undefined
  const decimals = decimalsOf(one.series)
  const valid = days.filter((day) => day.valid)
  const sum = valid.reduce((total, { mean }) => total + mean, 0)
  const mean = valid.length > 0 ? sum / valid.length : NaN
  const text = Number.isNaN(mean) ? '-' : numberText(mean, decimals)
  return {
    what: `valid days from ${days[0].day} to ${days[days.length - 1].day}`,
    one,
    figure: text,
    facts: { mean: number(mean, decimals), valid_days: valid.length, days: days.length },
    heads: ['day', 'hours', '24-hour mean'],
    left: 1,
    rows: days.map((day) => [
      day.day,
      String(day.fullHours + day.sampledHours),
      day.valid ? numberText(day.mean, decimals) : '-',
    ]),
    steps: [
      `${valid.length} of ${days.length} days have at least 18 hours`,
      `mean of these days, each alike: ${numberText(sum, decimals)} / ${valid.length} = ${text}; uncorrected`,
    ],
    next: days.map(({ day }) => explainCommand('day', [day], one.series, asked.options)),
  }
}

/** Hours one after the other: an episode, or any other run. */
export function explainSpan(asked: Asked, one: SeriesFigures): Explained | undefined {
  const { found, from, to } = asked
  const hours = hoursOfSpan(from, to).map(one.hourOf)
  const facts = runFacts(hours, humidityBeside(found.gathered.series, one.series.column.channel))
  if (!facts) return undefined
  const decimals = decimalsOf(one.series)
  return {
    what: `hours from ${whenText(from, found.zone)} to ${whenText(to, found.zone)}`,
    one,
    figure: numberText(facts.mean, decimals),
    facts: {
      mean: number(facts.mean, decimals),
      peak: number(facts.peak, decimals),
      hours: facts.hours,
      hours_that_count: facts.counting,
      data_capture_percent: facts.dataCapturePercent,
      humid_hours: facts.humidHours ?? null,
    },
    heads: ['hour from', 'it is', 'mean', 'capture'],
    left: 2,
    rows: hours.map((hour) => [
      whenText(hour.from, found.zone),
      hourKind(hour),
      isHour(hour) ? numberText(hour.mean, decimals) : '-',
      `${(hour.dataCapture * 100).toFixed(1)} %`,
    ]),
    steps: runSteps(facts, decimals),
    next: hourCommands(asked, one, hoursOfSpan(from, to)),
  }
}
