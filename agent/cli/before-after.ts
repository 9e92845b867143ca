import { seasonsDiffer } from '../analysis/analysis.js'
import type { StandardMillis } from '../averages/averages.js'
import { usualScreening } from '../screening/screening.js'
import { channelsIn } from './averages.js'
import { beforeAfterCsv } from './before-after-csv.js'
import {
  changed,
  daysIn,
  readSides,
  validDays,
  validNumbers,
  withoutHours,
  type Changed,
  type SideDays,
} from './before-after-days.js'
import { drawBeforeAfter } from './before-after-svg.js'
import { beforeAfterJson, beforeAfterText } from './before-after-words.js'
import { changeCommand } from './explain-change.js'
import { humidityFor } from './collocate-humidity.js'
import {
  commonZone,
  compareChannel,
  hoursFrom,
  openSources,
  type Hours,
  type Source,
} from './compare-hours.js'
import { readSeed } from './compare-seed.js'
import { refuse, wrongUse, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import type { DeskZone } from './desk-zone.js'
import { readEventsFile, type ActivityLog } from './import-events.js'
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
  /** Where humidity comes from, if not from the series itself. */
  readonly humidity?: string
  readonly humidityChannel?: string
  /** An events file: what was going on, as `import --events` makes it. */
  readonly events?: string
  readonly svg?: string
  readonly force?: boolean
  readonly detail?: boolean
  readonly csv?: boolean
  readonly json?: boolean
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
  /** Days in order of both sides, for drawings. */
  readonly sides: readonly [before: SideDays, after: SideDays]
  /** Name of the log of what was going on. */
  readonly events?: string
  /** Name of what knows the humidity. */
  readonly humidity?: string
  readonly wind: boolean
  /** The change again without some hours: humid ones, those in which something was going on. */
  readonly without: readonly Without[]
  readonly seed: number
}

export interface Without {
  readonly which: 'humid' | 'events'
  readonly hours: number
  readonly leftOut: number
  /** Absent where too few days remain, or none was left out. */
  readonly change?: Changed
  /** Of events: how many touched the days before and after, by kind. */
  readonly kinds?: Readonly<Record<string, readonly [before: number, after: number]>>
}

export const humidFromPercent = usualScreening.humidFromPercent

/** Fewer valid days on one side say what the weather was (common practice, no source). */
export const leastDays = 7

/** @returns exit code: 0 told, 1 too little data or nothing may be put down to the change, 2 wrong use */
export async function beforeAfter(options: BeforeAfterOptions): Promise<number> {
  const found = await findChange(options)
  if (!found.ok) return refuse(found)
  const drawn = drawBeforeAfter(found.value, options.svg, options.force ?? false)
  if (!drawn.ok) return refuse(drawn)
  process.stdout.write(told(found.value, options, drawn.value))
  return found.value.verdict === 'not-enough-data' || found.value.verdict === 'not-attributed' ? 1 : 0
}

function told(found: BeforeAfterFound, options: BeforeAfterOptions, drawn: readonly string[]): string {
  const { json, csv, detail = false } = options
  if (json) return beforeAfterJson(found) + '\n'
  if (csv) return beforeAfterCsv(found)
  const again = detail && found.change ? ['', 'Each number again, day by day:', changeCommand(options)] : []
  return (
    [...beforeAfterText(found, detail), ...again, ...drawn.map((file) => `drawn: ${file}`)].join('\n') + '\n'
  )
}

export async function findChange(options: BeforeAfterOptions): Promise<Opened<BeforeAfterFound>> {
  const channel = compareChannel(options.channel, 'pm2_5')
  if (!channel.ok) return channel
  const seed = readSeed(options.seed)
  if (!seed.ok) return seed
  const opened = await openBoth(options, channel.value)
  if (!opened.ok) return opened
  const { series, background, source, zone } = opened.value
  const sides = readSides(options, zone)
  if (!sides.ok) return sides
  const [before, after] = sides.value
  const parts = [daysIn(before, series, background), daysIn(after, series, background)] as const
  const humidity = await humidityFor({ hours: series, source }, zone.offsetMinutes, options)
  if (!humidity.ok) return humidity
  const log = options.events === undefined ? undefined : readEventsFile(options.events)
  if (log && !log.ok) return log
  const about = {
    channel: channel.value,
    name: series.name,
    ...{ zone, background, at: options.at, until: options.until, seed: seed.value },
    days: [validDays(parts[0].difference), validDays(parts[1].difference)] as const,
    sides: parts,
    ...(humidity.value.name === undefined ? {} : { humidity: humidity.value.name }),
    ...(log ? { events: log.value.name } : {}),
    wind: hasWind(source),
    without: [],
  }
  if (Math.min(...about.days) < leastDays)
    return { ok: true, value: { ...about, verdict: 'not-enough-data', seasonsDiffer: false } }
  const changedOf = (which: 'difference' | 'series' | 'background'): Changed =>
    changed(parts[0][which], parts[1][which], seed.value)
  const change = changedOf('difference')
  const isHumid = (at: StandardMillis): boolean => humidity.value.at(at) >= humidFromPercent
  const without: Without[] = [
    ...(humidity.value.name === undefined ? [] : [changeWithout('humid', parts, isHumid, seed.value)]),
    ...(log ? [withoutEvents(log.value, parts, zone, seed.value)] : []),
  ]
  const differ = seasonsDiffer(validNumbers(parts[0]), validNumbers(parts[1]))
  return {
    ok: true,
    value: {
      ...about,
      verdict: verdictOf(change, differ && !background),
      seasonsDiffer: differ,
      ...{ change, without },
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

function changeWithout(
  which: Without['which'],
  sides: readonly [SideDays, SideDays],
  isLeftOut: (at: StandardMillis) => boolean,
  seed: number,
): Without {
  const [before, after] = [withoutHours(sides[0], isLeftOut), withoutHours(sides[1], isLeftOut)]
  const leftOut = before.leftOut + after.leftOut
  const enough = Math.min(validDays(before.days), validDays(after.days)) >= leastDays
  return {
    ...{ which, hours: before.hours + after.hours, leftOut },
    ...(enough && leftOut > 0 ? { change: changed(before.days, after.days, seed) } : {}),
  }
}

const hourMillis = 3_600_000

/** Hours that something touched; how often it did on either side is told, for fewer blasts are a change too. */
function withoutEvents(
  { activities }: ActivityLog,
  sides: readonly [SideDays, SideDays],
  { offsetMinutes }: DeskZone,
  seed: number,
): Without {
  const touched = new Set<number>()
  const kinds: Record<string, [number, number]> = {}
  for (const { start, end, kind } of activities) {
    const [from, to] = [start, Math.max(end - 1, start)].map((utc) => utc + offsetMinutes * 60_000)
    for (let hour = Math.floor(from / hourMillis); hour <= Math.floor(to / hourMillis); hour++)
      touched.add(hour * hourMillis)
    const day = Math.floor(from / (24 * hourMillis))
    const side = sides.findIndex(({ first, difference }) => difference[day - first] !== undefined)
    if (side >= 0) (kinds[kind] ??= [0, 0])[side]++
  }
  return { ...changeWithout('events', sides, (at) => touched.has(at), seed), kinds }
}

/** What else would be needed to know why the air changed. */
function hasWind(source: Source): boolean {
  const keys = source.kind === 'series' ? source.series.keys : channelsIn(source.survey.sets)
  return keys.some((key) => nameOf(key) === 'wind_from')
}
