/** What stands beside the averages of one mass channel: limits with verdicts, index, NowCast, years, corrected figures. */
import {
  dayFigure,
  isHour,
  startOfDay,
  type DayFigure,
  type HourOf,
  type StandardMillis,
} from '../averages/averages.js'
import {
  airIndex,
  dayValue,
  indexSet,
  judgeDay,
  limitChannels,
  notCompared,
  nowCast,
  shownLimits,
  uncertaintyAfter,
  type ChannelFacts,
  type DayJudgement,
  type IndexOutcome,
  type Limit,
  type LimitChannel,
  type NowCast,
} from '../limits/limits.js'
import { humidityBeside, isHumid, withoutHumid, type HumidityBeside } from './averages-humidity.js'
import { correctedHours, type CorrectedHours } from './averages-corrected.js'
import type { AveragesFound, SeriesFigures } from './averages.js'
import { nameOf } from './desk-records.js'
import type { DeskZone } from './desk-zone.js'

const hourMillis = 3_600_000

/** One day with what may stand beside it. */
export interface BesideDay {
  readonly raw: DayFigure
  /** Of corrected hours, where a correction of the unit was given. */
  readonly corrected?: DayFigure
  /** Without humid hours; absent where no humidity is known. */
  readonly dry?: DayFigure
  readonly humidHours: number
}

export interface LimitDay {
  readonly day: BesideDay
  /** Of the corrected day, where there is one; else of the raw one. */
  readonly judged: DayJudgement
  readonly isCorrected: boolean
  readonly facts: ChannelFacts
}

export interface IndexDay {
  readonly day: string
  readonly outcome: IndexOutcome
}

export interface NowCastBeside {
  readonly at: StandardMillis
  readonly figure: NowCast
  readonly isCorrected: boolean
  readonly index?: IndexOutcome
}

export interface Beside {
  readonly channel: LimitChannel
  readonly humidity: HumidityBeside
  readonly corrected?: CorrectedHours
  readonly days: readonly BesideDay[]
  /** Each 24-hour limit with the days on which it was in force. */
  readonly tables: readonly { readonly limit: Limit; readonly days: readonly LimitDay[] }[]
  readonly indexDays: readonly IndexDay[]
}

/** Undefined for channels for which no limits are published. */
export function besideOf(found: AveragesFound, one: SeriesFigures): Beside | undefined {
  const channel = limitChannels.find((name) => name === nameOf(one.series.column.channel))
  if (!channel) return undefined
  const humidity = humidityBeside(found.gathered.series, one.series.column.channel)
  const corrected = correctedHours(one.series, one.hourOf, found.chosen.corrections, humidity, found.zone)
  const days = one.days.map((raw) => besideDay(one, raw, humidity, corrected))
  const about = { found, one, channel, corrected }
  return {
    ...{ channel, humidity, days },
    ...(corrected ? { corrected } : {}),
    tables: tablesOf(about, days),
    indexDays: indexDays(about, days),
  }
}

export const dayNumber = (day: string): number => Date.parse(`${day}T00:00:00Z`) / 86_400_000

/** 'YYYY-MM-DD' of a moment in local standard time. */
export const dayShown = (at: StandardMillis): string => new Date(at).toISOString().slice(0, 10)

export function besideDay(
  { series, hourOf }: SeriesFigures,
  raw: DayFigure,
  humidity: HumidityBeside,
  corrected: CorrectedHours | undefined,
): BesideDay {
  const day = dayNumber(raw.day)
  const of = (hours: HourOf): DayFigure => dayFigure(series.sums, day, hours)
  return {
    raw,
    ...(corrected ? { corrected: of(corrected.hourOf) } : {}),
    ...(humidity.channel === undefined ? {} : { dry: of(withoutHumid(hourOf, humidity)) }),
    humidHours: raw.hours.filter((hour) => isHour(hour) && isHumid(humidity, hour.from)).length,
  }
}

interface About {
  readonly found: AveragesFound
  readonly one: SeriesFigures
  readonly channel: LimitChannel
  readonly corrected: CorrectedHours | undefined
}

function tablesOf(about: About, days: readonly BesideDay[]): Beside['tables'] {
  const { found, channel } = about
  const tables = new Map<string, { limit: Limit; days: LimitDay[] }>()
  for (const day of days)
    for (const limit of shownLimits(found.chosen.shown, channel, day.raw.day)) {
      if (limit.averaging !== '24-hour') continue
      const table = tables.get(limit.id) ?? { limit, days: [] }
      tables.set(limit.id, table)
      table.days.push(limitDay(about, day, limit))
    }
  return [...tables.values()]
}

/** A correction speaks for a day only when 18 of its hours could be corrected; else the raw day is judged, and says so. */
export function limitDay({ one, corrected, found }: About, day: BesideDay, limit: Limit): LimitDay {
  const isCorrected = day.corrected?.valid === true
  const facts = factsOf(one, isCorrected ? corrected : undefined, day.raw, found.zone)
  const judged = judgeDay(isCorrected ? day.corrected! : day.raw, limit, facts)
  return { day, judged, isCorrected, facts }
}

/** Basis as the layout says it, and ±50 % until a side-by-side run has given an interval; of a reference what was stated. */
export function factsOf(
  { series }: SeriesFigures,
  corrected: CorrectedHours | undefined,
  raw: { readonly mean: number; readonly day?: string },
  { offsetMinutes }: DeskZone,
): ChannelFacts {
  const { basis } = series.column
  if (!corrected) return { basis, uncertainty: series.uncertainty ?? notCompared }
  const noon = raw.day === undefined ? NaN : startOfDay(dayNumber(raw.day)) + 12 * hourMillis
  return {
    basis,
    uncertainty: uncertaintyAfter(corrected.correction, raw.mean, noon - offsetMinutes * 60_000),
  }
}

/** The index of each day by the day rule of the set's own 24-hour limit. */
function indexDays(about: About, days: readonly BesideDay[]): IndexDay[] {
  const { found, channel } = about
  const set = indexSet(found.chosen.shown)
  if (!set?.index.some((table) => table.channel === channel)) return []
  return days.map((day) => {
    const of = day.corrected?.valid === true ? day.corrected : day.raw
    const rule = set.limits.find((limit) => limit.channel === channel && limit.averaging === '24-hour')!.day
    const figure = dayValue(
      of.hours.map((hour) => (isHour(hour) ? hour.mean : undefined)),
      rule,
    )
    return { day: of.day, outcome: airIndex(set, channel, { kind: '24-hour', figure }, of.day) }
  })
}

/** The NowCast of the twelve hours that end with the one that begins at a time; none for pm1. */
export function nowCastAt(
  found: AveragesFound,
  { hourOf }: SeriesFigures,
  { channel, corrected }: Pick<Beside, 'channel' | 'corrected'>,
  at: StandardMillis,
): NowCastBeside | undefined {
  if (channel === 'pm1') return undefined
  const of = corrected?.hourOf ?? hourOf
  const hours = Array.from({ length: 12 }, (_, back) => of(at - back * hourMillis))
  const figure = nowCast(
    hours.map((hour) => (isHour(hour) ? hour.mean : undefined)),
    channel,
  )
  const set = indexSet(found.chosen.shown)
  const day = dayShown(at)
  return {
    ...{ at, figure, isCorrected: corrected !== undefined },
    ...(set ? { index: airIndex(set, channel, { kind: 'nowcast', figure }, day) } : {}),
  }
}
