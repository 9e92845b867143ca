import {
  blockAt,
  dayFigure,
  keptHours,
  quarterHourSeconds,
  rolling24,
  startOfDay,
  type DayFigure,
  type HourOf,
  type PeriodFigure,
  type RollingFigure,
  type StandardMillis,
} from '../averages/averages.js'
import { channelNames, kindOf, massChannels, utcMillis, type ColumnSet } from '../terms/terms.js'
import { averagesJson } from './averages-json.js'
import { openRecords, type RecordSource } from './averages-source.js'
import { averagesText } from './averages-words.js'
import { asProblem, refuse, say, wrongUse, type DeskOptions, type DeskStore, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import type { Gathered, Series } from './desk-series.js'
import type { Survey } from './desk-survey.js'
import { readSpan, type DeskZone, type Span } from './desk-zone.js'
import { chooseLimits, type Chosen, type LimitOptions } from './limits-chosen.js'
import { Progress } from './progress.js'

export interface AveragesOptions extends DeskOptions, LimitOptions {
  readonly channel?: readonly string[]
  readonly from?: string
  readonly to?: string
  readonly zone?: string
  /** 10-min means in place of hours. */
  readonly tenMinutes?: boolean
  /** Figures of whole years too. */
  readonly years?: boolean
  /** Data capture by hour of day, and the command that explains each number. */
  readonly detail?: boolean
  /** All there is where nobody says from when. */
  readonly everything?: boolean
  /** No rows, and no days but those named (of `from` alone the one that holds it): what one figure is explained by. */
  readonly oneFigure?: boolean
}

export interface HourRow {
  readonly figure: PeriodFigure
  /** Absent for 10-min means. */
  readonly rolling?: RollingFigure
}

/** The figures of one channel, unit and deployment. */
export interface SeriesFigures {
  readonly series: Series
  /** Its hours, of all time. */
  readonly hourOf: HourOf
  readonly rows: readonly HourRow[]
  readonly days: readonly DayFigure[]
}

export interface AveragesFound {
  readonly station: string
  readonly storeId: string
  readonly zone: DeskZone
  readonly survey: Survey
  /** Absent for an imported series. */
  readonly store?: DeskStore
  readonly gathered: Gathered
  readonly figures: readonly SeriesFigures[]
  /** Earlier rows are there, but were not asked for. */
  readonly shortened: boolean
  readonly tenMinutes: boolean
  readonly chosen: Chosen
  readonly options: AveragesOptions
}

/** Shown when nobody says from when: the last so many days of hours, or of days. */
export const usualDays = { rows: 2, days: 31 } as const
const tenMinuteSeconds = 600
const hourSeconds = 3600
const dayMillis = 86_400_000

/** 10-min means, hours, rolling 24 h and days of a store. @returns exit code: 0 told, 1 there is nothing to tell, 2 wrong use */
export async function averages(options: AveragesOptions): Promise<number> {
  const found = await findAverages(options)
  if (!found.ok) return refuse(found)
  const text = options.json ? averagesJson(found.value) : averagesText(found.value).join('\n')
  await say(text)
  return found.value.figures.length > 0 ? 0 : 1
}

/** What is read for figures, once: those of any time are made of it. */
export interface Gathering {
  readonly source: RecordSource
  readonly chosen: Chosen
  /** Of which figures are made; humidity is gathered beside them. */
  readonly channels: readonly string[]
  readonly gathered: Gathered
  /** By 10 min. */
  readonly short?: Gathered
}

/** The figures behind `averages` and the exports of hours and days. */
export async function findAverages(options: AveragesOptions): Promise<Opened<AveragesFound>> {
  const gathering = await gatherAverages(options)
  return gathering.ok ? figuresFound(gathering.value, options) : gathering
}

export async function gatherAverages(options: AveragesOptions): Promise<Opened<Gathering>> {
  const leastSteps = options.tenMinutes ? tenMinuteSeconds : hourSeconds
  const opened = await openRecords(options, leastSteps)
  if (!opened.ok) return opened
  const source = opened.value
  const { zone, survey: surveyed } = source
  const chosen = chooseLimits(options, source.settings)
  if (!chosen.ok) return chosen
  const span = readSpan(options.from, options.to, zone)
  if (!span.ok) return span
  const channels = channelsFor(options.channel, surveyed.sets)
  if (!channels.ok) return channels
  const progress = new Progress('adding up records')
  const gatherInto = (blockSeconds: number) =>
    source.gather({
      channels: channels.value,
      beside: humidityIn(surveyed.sets),
      offsetMinutes: zone.offsetMinutes,
      blockSeconds,
      noted: span.value,
      progress: (share) => progress.show(share),
    })
  const gathered = await gatherInto(quarterHourSeconds)
  if (!gathered.ok) return asProblem(gathered.fault)
  const short = options.tenMinutes ? await gatherInto(tenMinuteSeconds) : undefined
  if (short && !short.ok) return asProblem(short.fault)
  const read = { source, chosen: chosen.value, channels: channels.value, gathered: gathered.value }
  return { ok: true, value: { ...read, ...(short ? { short: short.value } : {}) } }
}

/** Of the time that the options name. */
export function figuresFound(
  { source, chosen, channels, gathered, short }: Gathering,
  options: AveragesOptions,
): Opened<AveragesFound> {
  const { station, storeId, survey, zone, store } = source
  const span = readSpan(options.from, options.to, zone)
  if (!span.ok) return span
  const given = options.everything || options.from !== undefined || options.to !== undefined
  const wanted = gathered.series.filter(({ column }) => channels.includes(column.channel))
  const shown = options.oneFigure
    ? oneFigureWindow(span.value, zone, options.to)
    : window(wanted, span.value, zone, given)
  return {
    ok: true,
    value: {
      ...{ station, storeId, zone, survey, gathered, chosen, options },
      ...(store ? { store } : {}),
      figures: figuresOf(gathered, short, channels, shown).filter(
        ({ days, rows }) => options.oneFigure || days.length + rows.length > 0,
      ),
      shortened: !given && reachesBack(wanted),
      tenMinutes: options.tenMinutes ?? false,
    },
  }
}

/** Directions need vectors and levels need energies: an arithmetic mean of them over an hour says nothing. */
const notMeans: readonly string[] = ['wind_from', 'sound']

export const channelsIn = (sets: readonly ColumnSet[]): string[] => [
  ...new Set(sets.flatMap(({ columns }) => columns.map(({ channel }) => channel))),
]

const humidityIn = (sets: readonly ColumnSet[]): string[] =>
  channelsIn(sets).filter((channel) => nameOf(channel) === 'humidity')

/** The channels asked for, by key or by name (all its slots); without any the masses, or where there is none, all. */
export function channelsFor(
  typed: readonly string[] | undefined,
  sets: readonly ColumnSet[],
): Opened<string[]> {
  const all = channelsIn(sets)
  const able = all.filter((channel) => !notMeans.includes(nameOf(channel)))
  const masses = able.filter((channel) => (massChannels as readonly string[]).includes(nameOf(channel)))
  if (typed === undefined) return { ok: true, value: masses.length > 0 ? masses : able }
  const wanted = typed.flatMap((text) => text.split(','))
  if (wanted.includes('all')) return { ok: true, value: able }
  const refused = wanted.find((one) => notMeans.includes(nameOf(one)))
  if (refused !== undefined)
    return wrongUse(
      `--channel ${refused}: an hour of it has no arithmetic mean; export --of minutes gives its minutes`,
    )
  const unknown = wanted.find((one) => !able.some((channel) => channel === one || nameOf(channel) === one))
  if (unknown !== undefined && all.length > 0)
    return wrongUse(`--channel ${unknown}: this store has ${able.join(', ')}`)
  if (unknown !== undefined && !(channelNames as string[]).includes(nameOf(unknown)))
    return wrongUse(`--channel ${unknown}: no channel has that name`)
  return {
    ok: true,
    value: able.filter((channel) => wanted.some((one) => channel === one || nameOf(channel) === one)),
  }
}

interface Window {
  readonly rows: readonly [from: StandardMillis, to: StandardMillis]
  readonly days: readonly [from: StandardMillis, to: StandardMillis]
}

/** In local standard time. Days are shown whole: those of which any part was asked for. */
function window(series: readonly Series[], span: Span, { offsetMinutes }: DeskZone, given: boolean): Window {
  const last = Math.max(...series.flatMap(({ sums }) => sums.days()))
  const local = (utc: number): StandardMillis => utc + offsetMinutes * 60_000
  const [from, to] = [local(span.from), local(span.to)]
  if (given) return { rows: [from, to], days: [Math.floor(from / dayMillis) * dayMillis, to] }
  const back = (days: number): StandardMillis => startOfDay(last - days + 1)
  return { rows: [back(usualDays.rows), to], days: [back(usualDays.days), to] }
}

/** No row lies in it. */
function oneFigureWindow(span: Span, { offsetMinutes }: DeskZone, to: string | undefined): Window {
  const from = Math.floor((span.from + offsetMinutes * 60_000) / dayMillis) * dayMillis
  return {
    rows: [from, from],
    days: [from, to === undefined ? from + dayMillis : span.to + offsetMinutes * 60_000],
  }
}

const reachesBack = (series: readonly Series[]): boolean => {
  const days = series.flatMap(({ sums }) => sums.days())
  return Math.max(...days) - Math.min(...days) >= usualDays.rows
}

function figuresOf(
  gathered: Gathered,
  short: Gathered | undefined,
  channels: readonly string[],
  window: Window,
): SeriesFigures[] {
  return gathered.series
    .map((series, i) => {
      const hourOf = keptHours(series.sums)
      const rows = short ? blockRows(short.series[i], window.rows) : hourRows(series, window.rows, hourOf)
      const [from, to] = window.days
      const days = series.sums.days().filter((day) => startOfDay(day) >= from && startOfDay(day) < to)
      return {
        ...{ series, rows, hourOf },
        days: days.map((day) => dayFigure(series.sums, day, hourOf)).filter(hasAnything),
      }
    })
    .filter(({ series }) => channels.includes(series.column.channel))
    .sort((a, b) => order(a.series) - order(b.series))
}

const order = ({ column }: Series): number => {
  const at = (channelNames as string[]).indexOf(nameOf(column.channel))
  return at < 0 ? channelNames.length : at
}

/** A day of which nothing was used says nothing of this unit or deployment. */
const hasAnything = ({ hours }: DayFigure): boolean => hours.some(({ usedSeconds }) => usedSeconds > 0)

function hourRows({ sums }: Series, [from, to]: Window['rows'], hourOf: HourOf): HourRow[] {
  const rows = startsIn(sums.days(), 3600, from, to).map((at) => ({
    figure: hourOf(at),
    rolling: rolling24(sums, at, hourOf),
  }))
  return withoutEmptyEnds(rows)
}

function blockRows({ sums }: Series, [from, to]: Window['rows']): HourRow[] {
  const rows = startsIn(sums.days(), sums.blockSeconds, from, to)
  return withoutEmptyEnds(rows.map((at) => ({ figure: blockAt(sums, at) })))
}

function startsIn(days: readonly number[], seconds: number, from: number, to: number): StandardMillis[] {
  const perDay = dayMillis / 1000 / seconds
  return days
    .flatMap((day) => Array.from({ length: perDay }, (_, i) => startOfDay(day) + i * seconds * 1000))
    .filter((at) => at >= from && at < to)
}

function withoutEmptyEnds(rows: readonly HourRow[]): HourRow[] {
  const used = ({ figure }: HourRow): boolean => figure.usedSeconds > 0
  const first = rows.findIndex(used)
  return first < 0 ? [] : rows.slice(first, rows.findLastIndex(used) + 1)
}

/** UTC of a moment in local standard time. */
export const utcOf = (at: StandardMillis, { offsetMinutes }: DeskZone) =>
  utcMillis(at - offsetMinutes * 60_000)

/** Means are told with the decimals of a stored mean. */
export const decimalsOf = ({ column }: Series): number => kindOf(column.channel)?.decimals ?? column.decimals
