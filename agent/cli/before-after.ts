import {
  changeInterval,
  effectiveCount,
  joinBlocks,
  matchedChange,
  rankTest,
  seasonsDiffer,
  usualBlockDays,
  widenedInterval,
  type RankTest,
  type WeekdayHours,
} from '../analysis/analysis.js'
import { leastHoursOfDay, startOfDay } from '../averages/averages.js'
import { channelsIn } from './averages.js'
import { beforeAfterJson, beforeAfterText } from './before-after-words.js'
import {
  commonZone,
  compareChannel,
  hourMean,
  hoursBetween,
  hoursFrom,
  openSources,
  type Hours,
  type Source,
} from './compare-hours.js'
import { blockStarts, readSeed } from './compare-seed.js'
import { refuse, wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { readSpan, type DeskZone } from './desk-zone.js'
import { Progress } from './progress.js'

export interface BeforeAfterOptions {
  readonly of: string
  readonly at: string
  readonly until?: string
  readonly background?: string
  readonly channel?: string
  readonly backgroundChannel?: string
  readonly storeId?: string
  readonly zone?: string
  readonly from?: string
  readonly to?: string
  readonly seed?: string
  readonly detail?: boolean
  readonly json?: boolean
}

/** What changed in one series of days. */
export interface Changed {
  readonly daysBefore: number
  readonly daysAfter: number
  /** Means of daily means, µg/m³. */
  readonly before: number
  readonly after: number
  /** After - before, by hour of the week. */
  readonly change: number
  readonly interval: readonly [number, number]
  readonly blockDays: readonly [number, number]
  /** Of daily means. */
  readonly ranks: RankTest
  /** How many days that do not lean on each other tell as much; NaN where days do not vary. */
  readonly freeDays: readonly [number, number]
}

export type ChangeVerdict = 'not-enough-data' | 'not-attributed' | 'no-change-shown' | 'rose' | 'fell'

export interface BeforeAfterFound {
  readonly channel: string
  readonly name: string
  readonly zone: DeskZone
  /** As typed. */
  readonly at: string
  readonly until?: string
  readonly background?: Hours
  readonly verdict: ChangeVerdict
  readonly seasonsDiffer: boolean
  /** Of the series less the background, or where there is none of the series. Absent with too few days. */
  readonly change?: Changed
  /** With a background: both by themselves, on the same hours. */
  readonly alone?: { readonly series: Changed; readonly background: Changed }
  readonly days: readonly [before: number, after: number]
  readonly humidity: boolean
  readonly wind: boolean
  readonly seed: number
}

/** Fewer valid days on one side say what the weather was (common practice, no source). */
export const leastDays = 7

/** @returns exit code: 0 told, 1 too little data or nothing may be put down to the change, 2 wrong use */
export async function beforeAfter(options: BeforeAfterOptions): Promise<number> {
  const found = await findChange(options)
  if (!found.ok) return refuse(found)
  const text = options.json
    ? beforeAfterJson(found.value)
    : beforeAfterText(found.value, options.detail ?? false).join('\n')
  process.stdout.write(text + '\n')
  return found.value.verdict === 'not-enough-data' || found.value.verdict === 'not-attributed' ? 1 : 0
}

async function findChange(options: BeforeAfterOptions): Promise<Opened<BeforeAfterFound>> {
  const channel = compareChannel(options.channel, 'pm2_5')
  if (!channel.ok) return channel
  const seed = readSeed(options.seed)
  if (!seed.ok) return seed
  const opened = await openBoth(options, channel.value)
  if (!opened.ok) return opened
  const { series, background, source, zone } = opened.value
  const sides = readSides(options, zone)
  if (!sides.ok) return sides
  const parts = sides.value.map((side) => daysIn(side, series, background))
  const about = {
    channel: channel.value,
    name: series.name,
    ...{ zone, background, at: options.at, until: options.until, seed: seed.value },
    days: [validDays(parts[0].difference), validDays(parts[1].difference)] as const,
    ...surroundings(source),
  }
  if (Math.min(...about.days) < leastDays)
    return { ok: true, value: { ...about, verdict: 'not-enough-data', seasonsDiffer: false } }
  const changedOf = (which: 'difference' | 'series' | 'background'): Changed =>
    changed(parts[0][which], parts[1][which], seed.value)
  const change = changedOf('difference')
  const differ = seasonsDiffer(validNumbers(parts[0]), validNumbers(parts[1]))
  return {
    ok: true,
    value: {
      ...about,
      verdict: verdictOf(change, differ && !background),
      seasonsDiffer: differ,
      change,
      ...(background ? { alone: { series: changedOf('series'), background: changedOf('background') } } : {}),
    },
  }
}

function verdictOf({ interval: [low, high] }: Changed, notAttributed: boolean): ChangeVerdict {
  if (notAttributed) return 'not-attributed'
  return low > 0 ? 'rose' : high < 0 ? 'fell' : 'no-change-shown'
}

interface Both {
  readonly series: Hours
  readonly background?: Hours
  readonly source: Source
  readonly zone: DeskZone
}

async function openBoth(options: BeforeAfterOptions, channel: string): Promise<Opened<Both>> {
  const sources = await openSources(options.of, options.storeId)
  if (!sources.ok) return sources
  const backgrounds = options.background === undefined ? undefined : await openSources(options.background)
  if (backgrounds && !backgrounds.ok) return backgrounds
  const zone = commonZone(options.zone, [...sources.value, ...(backgrounds?.value ?? [])])
  if (!zone.ok) return zone
  const series = await onlyOne(sources.value, channel, options.of, zone.value)
  if (!series.ok) return series
  const name = options.backgroundChannel ?? nameOf(channel)
  const background = backgrounds && (await onlyOne(backgrounds.value, name, options.background!, zone.value))
  if (background && !background.ok) return background
  return {
    ok: true,
    value: { ...series.value, background: background?.value.series, zone: zone.value },
  }
}

/** No figure crosses a change of unit or place, a comparison least of all. */
async function onlyOne(
  sources: readonly Source[],
  channel: string,
  path: string,
  { offsetMinutes }: DeskZone,
): Promise<Opened<{ series: Hours; source: Source }>> {
  const progress = new Progress('adding up records')
  const all: { series: Hours; source: Source }[] = []
  for (const source of sources) {
    const hours = await hoursFrom(source, channel, offsetMinutes, (share) => progress.show(share))
    if (!hours.ok) return hours
    all.push(...hours.value.map((series) => ({ series, source })))
  }
  if (all.length === 1) return { ok: true, value: all[0] }
  if (all.length === 0) return wrongUse(`no hour of ${channel} counts in ${path}`)
  return wrongUse(
    `${path} holds ${all.length} series of ${channel}: ${all.map(({ series }) => series.name).join('; ')}. ` +
      'No comparison crosses a change of unit, slot or place; name a slot with --channel pm2_5.1, or one store with --store-id',
  )
}

/** First and last day number of a side, both whole. */
type Side = readonly [first: number, last: number]
const dayMillis = 86_400_000
const furthest = 8.64e15

/** Whole days before the change and after it: the day on which it was made belongs to neither, unless it was at midnight. */
function readSides(
  { at, until, from, to }: BeforeAfterOptions,
  zone: DeskZone,
): Opened<readonly [Side, Side]> {
  const change = readSpan(at, undefined, zone)
  if (!change.ok) return wrongUse(change.words.replace('--from', '--at'))
  // A day named as the end of the works is left out whole.
  const end = until === undefined ? change : readSpan(undefined, until, zone)
  if (!end.ok) return wrongUse(end.words.replace('--to', '--until'))
  const ends = readSpan(from, to, zone)
  if (!ends.ok) return ends
  const day = (utc: number): number => (utc + zone.offsetMinutes * 60_000) / dayMillis
  const [first, last] = [Math.ceil(day(ends.value.from)), Math.floor(day(ends.value.to)) - 1]
  const over = until === undefined ? change.value.from : end.value.to
  if (over < change.value.from) return wrongUse(`--until ${until} is before --at ${at}`)
  return {
    ok: true,
    value: [
      [Math.abs(ends.value.from) >= furthest ? -Infinity : first, Math.floor(day(change.value.from)) - 1],
      [Math.ceil(day(over)), Math.abs(ends.value.to) >= furthest ? Infinity : last],
    ],
  }
}

type Days = readonly (WeekdayHours | undefined)[]

interface SideDays {
  readonly first: number
  /** Series less background, or the series: a day with fewer than 18 hours is undefined. */
  readonly difference: Days
  /** On the same hours of the same days. */
  readonly series: Days
  readonly background: Days
}

function daysIn([first, last]: Side, series: Hours, background: Hours | undefined): SideDays {
  const held = series.sums.days().filter((day) => day >= first && day <= last)
  if (held.length === 0) return { first: 0, difference: [], series: [], background: [] }
  const days = Array.from({ length: held[held.length - 1] - held[0] + 1 }, (_, i) => held[0] + i)
  const all = days.map((day) => {
    const at = hoursBetween(startOfDay(day), startOfDay(day + 1))
    const own = at.map((hour) => hourMean(series.sums, hour))
    const behind = background ? at.map((hour) => hourMean(background.sums, hour)) : at.map(() => 0)
    const difference = own.map((value, i) => value - behind[i])
    if (difference.filter((value) => !Number.isNaN(value)).length < leastHoursOfDay) return undefined
    const shared = (values: readonly number[]): number[] =>
      values.map((value, i) => (Number.isNaN(difference[i]) ? NaN : value))
    return { weekday: ((day % 7) + 7) % 7, difference, own: shared(own), behind: shared(behind) }
  })
  const part = (of: 'difference' | 'own' | 'behind'): Days =>
    all.map((day) => day && { weekday: day.weekday, hours: day[of] })
  return { first: days[0], difference: part('difference'), series: part('own'), background: part('behind') }
}

const validDays = (days: Days): number => days.filter(Boolean).length
const validNumbers = ({ first, difference }: SideDays): number[] =>
  difference.flatMap((day, i) => (day ? [first + i] : []))

function changed(before: Days, after: Days, seed: number): Changed {
  const [early, late] = [dailyMeans(before), dailyMeans(after)]
  const blockDays = [usualBlockDays(early), usualBlockDays(late)] as const
  const change = matchedChange(before, after)
  const drawn = changeInterval(resampled(before, after, blockDays, seed))
  const blocks = early.length / blockDays[0] + late.length / blockDays[1]
  return {
    daysBefore: early.length,
    daysAfter: late.length,
    before: meanOf(early),
    after: meanOf(late),
    change,
    interval: widenedInterval(change, drawn, blocks),
    blockDays,
    ranks: rankTest(early, late)!,
    freeDays: [effectiveCount(early), effectiveCount(late)],
  }
}

function* resampled(
  before: Days,
  after: Days,
  [early, late]: readonly [number, number],
  seed: number,
): Generator<[Days, Days]> {
  // Two seeds of one: the sides must not be drawn alike.
  const lates = blockStarts(after.length, late, seed + 0x5eed)
  for (const starts of blockStarts(before.length, early, seed)) {
    const drawn = lates.next()
    if (drawn.done) return
    yield [joinBlocks(before, starts, early, false)!, joinBlocks(after, drawn.value, late, false)!]
  }
}

const dailyMeans = (days: Days): number[] =>
  days.flatMap((day) => (day ? [meanOf(day.hours.filter((value) => !Number.isNaN(value)))] : []))

const meanOf = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length

/** What else would be needed to know why the air changed. */
function surroundings(source: Source): { humidity: boolean; wind: boolean } {
  const keys = source.kind === 'series' ? source.series.keys : channelsIn(source.survey.sets)
  const has = (name: string): boolean => keys.some((key) => nameOf(key) === name)
  return { humidity: has('humidity'), wind: has('wind_from') }
}
