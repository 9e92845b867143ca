/** What a comparison of before and after says: one plain sentence, then what may not be read into it. */
import { nameOf } from './desk-records.js'
import { zoneWords } from './desk-zone.js'
import { humidFromPercent, leastDays, type BeforeAfterFound, type Without } from './before-after.js'
import type { Changed } from './before-after-days.js'
import { draws } from './compare-seed.js'
import { folded, tableText, textWidth } from './plain-text.js'

const channelWords: Readonly<Record<string, string>> = {
  pm1: 'PM1',
  pm2_5: 'PM2.5',
  pm4: 'PM4',
  pm10: 'PM10',
}

/** 'PM2.5' of pm2_5, whatever its slot. */
export const massWords = (channel: string): string => channelWords[nameOf(channel)] ?? channel

export function beforeAfterText(found: BeforeAfterFound, detail: boolean): string[] {
  const fold = (text: string): string => folded(text, textWidth, 2)
  const lines = [fold(plainSentence(found)), ...notes(found).map(fold)]
  if (!found.change) return lines
  if (!detail) return [...lines, '(--detail shows what this stands on)']
  return [...lines, '', ...detailLines(found, found.change)]
}

const tenths = (value: number): string => {
  const text = value.toFixed(1)
  return text === '-0.0' ? '0.0' : text
}
const intervalWords = ([low, high]: Changed['interval']): string => `95 %: ${tenths(low)} to ${tenths(high)}`

export function plainSentence(found: BeforeAfterFound): string {
  const { verdict, change, days, background } = found
  const what = `${massWords(found.channel)} at ${found.name}`
  if (verdict === 'not-enough-data' || !change)
    return `Not enough data: ${days[0]} valid days before and ${days[1]} after ${found.at}; ${leastDays} are needed on each side.`
  const beyond = background ? ' beyond background' : ''
  const figures = `${tenths(change.change)} µg/m³, ${intervalWords(change.interval)}`
  if (verdict === 'not-attributed')
    return `Nothing may be put down to the change: the seasons before and after differ and no background is given (--background). ${what} changed by ${figures}.`
  if (verdict === 'no-change-shown') return `No change shown${beyond}: ${what} changed by ${figures}.`
  return `${what} ${verdict}${beyond} by ${tenths(Math.abs(change.change))} µg/m³ after ${found.at} (change ${figures}).`
}

/** What a reader would else assume. */
function notes(found: BeforeAfterFound): string[] {
  const { background, verdict } = found
  const missing = [...(found.humidity === undefined ? ['humidity'] : []), ...(found.wind ? [] : ['wind'])]
  const weather =
    missing.length > 0
      ? [
          `Of ${missing.join(' and ')} nothing is known here: ${missingMeans(missing)} may look like a change.`,
        ]
      : []
  const wind = found.wind ? ['Wind is recorded, but not used here.'] : []
  const alone =
    !background && (verdict === 'rose' || verdict === 'fell')
      ? ['Without a background this may be the weather or the region as well (--background).']
      : []
  const coarse =
    background && background.stepSeconds > 3600
      ? [`The background has one figure in ${background.stepSeconds / 3600} h: its hours are shares of it.`]
      : []
  const season =
    background && found.seasonsDiffer
      ? [
          'The seasons before and after differ: the difference to the background may have a season of its own.',
        ]
      : []
  return [
    ...found.without.map((one) => withoutText(one, found)),
    ...alone,
    ...season,
    ...coarse,
    ...weather,
    ...wind,
  ]
}

const missingMeans = (missing: readonly string[]): string =>
  missing.map((what) => (what === 'humidity' ? 'damp air' : 'another wind')).join(' or ')

const signOf = ({ interval: [low, high] }: Changed): number => (low > 0 ? 1 : high < 0 ? -1 : 0)

/** The change without some hours, and whether the answer would be another. */
function withoutText(one: Without, { change, events }: BeforeAfterFound): string {
  const which =
    one.which === 'humid'
      ? `humid hours (${humidFromPercent} %RH and more)`
      : `hours touched by activities of ${events ?? 'the log'}`
  const count = `${one.leftOut} of ${one.hours}`
  const kinds = Object.entries(one.kinds ?? {}).map(
    ([kind, [early, late]]) => `${kind} ${early} times before and ${late} after`,
  )
  const told = kinds.length > 0 ? ` On valid days: ${kinds.join('; ')}.` : ''
  if (one.leftOut === 0) return `None of the hours compared were ${which}.${told}`
  if (!one.change) return `Without ${which}, ${count}, too few days remain to compare.${told}`
  const other = change && signOf(one.change) !== signOf(change) ? ': the answer is another without them' : ''
  return `Without ${which}, ${count}: change ${tenths(one.change.change)} µg/m³, ${intervalWords(one.change.interval)}${other}.${told}`
}

function detailLines(found: BeforeAfterFound, change: Changed): string[] {
  const { alone, background } = found
  const rowsOf = (series: string, other: string): string[][] => [
    ...(alone ? [row(series, alone.series), row(other, alone.background)] : []),
    row(alone ? 'difference' : series, change),
    ...found.without.flatMap((one) => (one.change ? [row(`without ${one.which}`, one.change)] : [])),
  ]
  const heads = ['µg/m³', 'before', 'days', 'after', 'days', 'change', '95 %', 'shift', 'p']
  const fold = (text: string): string => folded(text, textWidth, 2)
  const named = tableText([heads, ...rowsOf(found.name, background?.name ?? '')], 1)
  const isNarrow = named.every((line) => line.length <= textWidth)
  return [
    ...(isNarrow ? named : tableText([heads, ...rowsOf('series', 'background')], 1)),
    ...(isNarrow
      ? []
      : [`series: ${found.name}`, ...(background ? [`background: ${background.name}`] : [])].map(fold)),
    '',
    fold(zoneWords(found.zone)),
    fold(
      'before, after: means of valid days; change: mean difference of like hours of the week; a day that lies on both sides of the change counts on neither',
    ),
    fold(
      `95 %: moving blocks of ${change.blockDays.join(' and ')} days (Künsch 1989), ${draws} draws, seed ${found.seed}; widened as Student's t for their number`,
    ),
    fold(
      'shift and p: Hodges-Lehmann and Mann-Whitney, two-sided, of daily means, as if days were independent',
    ),
    fold(`days lean on each other: they tell as much as ${freeWords(change)} independent ones`),
    fold(
      found.seasonsDiffer
        ? 'the seasons before and after differ'
        : 'both lie in the same season, within a month',
    ),
  ]
}

function row(name: string, one: Changed): string[] {
  const [low, high] = one.interval
  return [
    name,
    ...[tenths(one.before), String(one.daysBefore), tenths(one.after), String(one.daysAfter)],
    ...[tenths(one.change), `${tenths(low)} to ${tenths(high)}`, tenths(one.ranks.shift)],
    one.ranks.p < 0.001 ? '<0.001' : one.ranks.p.toFixed(3),
  ]
}

const freeWords = ({ freeDays, daysBefore, daysAfter }: Changed): string =>
  [
    [freeDays[0], daysBefore],
    [freeDays[1], daysAfter],
  ]
    .map(([free, days]) =>
      Number.isFinite(free) ? `about ${Math.round(Math.min(free, days))}` : 'an unknown number',
    )
    .join(' and ')

export function beforeAfterJson(found: BeforeAfterFound): string {
  const { change, alone, background } = found
  return JSON.stringify(
    {
      verdict: found.verdict,
      words: plainSentence(found),
      notes: notes(found),
      channel: found.channel,
      series: found.name,
      background: background?.name ?? null,
      at: found.at,
      until: found.until ?? null,
      standard_offset_min: found.zone.offsetMinutes,
      seasons_differ: found.seasonsDiffer,
      valid_days_before: found.days[0],
      valid_days_after: found.days[1],
      change: change ? changeJson(change) : null,
      humidity: found.humidity ?? null,
      wind_recorded: found.wind,
      without: found.without.map((one) => ({
        which: one.which,
        hours: one.hours,
        hours_left_out: one.leftOut,
        change: one.change ? changeJson(one.change) : null,
        ...(one.kinds ? { kinds: one.kinds } : {}),
      })),
      series_alone: alone ? changeJson(alone.series) : null,
      background_alone: alone ? changeJson(alone.background) : null,
      draws,
      seed: found.seed,
    },
    undefined,
    2,
  )
}

const changeJson = ({ ranks, ...one }: Changed) => ({
  before: one.before,
  after: one.after,
  change: one.change,
  interval_95: one.interval,
  block_days: one.blockDays,
  mann_whitney: { u_before: ranks.uBefore, u_after: ranks.uAfter, p: ranks.p, method: ranks.method },
  hodges_lehmann_shift: ranks.shift,
  free_days: one.freeDays.map((days) => (Number.isFinite(days) ? days : null)),
})
