/** What a record says, and what the site log says of it, in words. */
import {
  numberText,
  utcText,
  type Column,
  type Exclusion,
  type Mark,
  type RecordLine,
  type UtcMillis,
} from '../terms/terms.js'
import { oneOfEachSlot, slotOf, standingOf } from './desk-records.js'
import type { Traced } from './trace.js'

/** A label, empty where it goes on, and a sentence. */
export type Fact = readonly [label: string, words: string]

const exclusionWords: Readonly<Record<Exclusion, string>> = {
  'warm-up': 'the sensor was warming up',
  stuck: 'masses and counts stood still',
  'no-data': 'no reading covered the time',
  'sensor-error': 'the sensor reported an error',
  impossible: 'outside what the quantity can be',
  service: 'somebody worked at the station',
  'fan-or-inlet': 'no particle for ten minutes outdoors: the fan or the inlet',
}

const markWords: Readonly<Record<Mark, string>> = {
  spike: 'one reading far above both its neighbours',
  'over-range': 'above 500 µg/m³, counted as 500: the mean is at least that',
  'not-settled': 'used before the readings were level',
  'sizes-inconsistent': 'masses or counts contradict their sizes',
  humid: '85 % relative humidity and more',
  fog: '95 % relative humidity and more: droplets count as particles',
  'low-supply': "the board's supply was low",
  'on-request': 'taken outside the sampling plan',
  'no-particles': 'no particle above 0.3 µm for a while',
  'past-life': 'the sensor had run for 8,000 hours and more',
}

export function recordFacts(traced: Traced, line: RecordLine): Fact[] {
  return [
    ...valueFacts(traced, line),
    ...reasonFacts('excluded', line.excluded, exclusionWords, 'nothing: every second counts'),
    ...reasonFacts('marked', line.marked, markWords, 'nothing'),
    ...siteFacts(traced, line),
  ]
}

/** 'pm2_5 20.20 ug/m3, atmospheric (used 60.0 s, max 26.0, sd 2.5, all 20.20)', a channel a line. */
function valueFacts({ sets }: Traced, line: RecordLine): Fact[] {
  const byChannel = new Map<string, { head: string; rest: string[] }>()
  for (const [i, column] of (sets.get(line.set)?.columns ?? []).entries()) {
    const one = byChannel.get(column.channel) ?? { head: column.channel, rest: [] }
    byChannel.set(column.channel, one)
    const value = line.values[i]
    if (column.statistic === 'mean') one.head = meanWords(column, value)
    else if (!Number.isNaN(value)) one.rest.push(statisticWords(column, value))
  }
  return [...byChannel.values()].map(({ head, rest }, i) => [
    i === 0 ? 'values' : '',
    rest.length > 0 ? `${head} (${rest.join(', ')})` : head,
  ])
}

function meanWords({ channel, unit, decimals, scaling, basis }: Column, value: number): string {
  const text = Number.isNaN(value) ? 'no value' : `${numberText(value, decimals)} ${unit}`
  return [`${channel} ${text}`, scaling, basis === 'inferred' ? basis : undefined].filter(Boolean).join(', ')
}

const statisticWords = ({ statistic, decimals }: Column, value: number): string =>
  `${statistic} ${numberText(value, decimals)}${statistic === 'used' ? ' s' : ''}`

function reasonFacts(
  label: string,
  seconds: Readonly<Record<string, number>>,
  words: Readonly<Record<string, string>>,
  none: string,
): Fact[] {
  const entries = Object.entries(seconds)
  if (entries.length === 0) return [[label, none]]
  return entries.map(([reason, time], i) => {
    const [word, slot] = reason.split('.')
    const where = slot === undefined ? '' : ` (slot ${slot})`
    return [
      i === 0 ? label : '',
      `${numberText(time, 1)} s ${word}${where}: ${words[word] ?? 'a reason of a later release'}`,
    ]
  })
}

function siteFacts({ survey, sets }: Traced, line: RecordLine): Fact[] {
  const utc: UtcMillis | undefined = survey.times.ownOr(line.boot, line.mono, line.seq, line.utc)
  if (utc === undefined) return [['site log', 'cannot be asked: the time is not known']]
  const facts = new Set<string>()
  for (const channel of oneOfEachSlot(sets.get(line.set)?.columns.map(({ channel }) => channel) ?? [])) {
    const { leftOut, marked, unit, deployment } = standingOf(survey, channel, utc, line.seconds)
    const slot = slotOf(channel) === undefined ? '' : ` (slot ${slotOf(channel)})`
    if (deployment) facts.add(`deployment: ${deployment.place} since ${utcText(deployment.from)}`)
    if (unit) facts.add(`unit ${unit.serial}${slot}`)
    if (leftOut) facts.add(`left out of averages: ${leftOut.words}`)
    if (marked !== undefined) facts.add(`marked: ${marked}`)
  }
  if (facts.size === 0) facts.add('nothing about this time')
  return [...facts].map((words, i) => [i === 0 ? 'site log' : '', words])
}
