/** Where a comparison takes its hours from: a store, an archive of several stations, or an imported series file. */
import {
  BlockSums,
  dayFigure,
  hourAt,
  isHour,
  quarterHourSeconds,
  startOfDay,
  type PeriodFigure,
  type StandardMillis,
} from '../averages/averages.js'
import { massChannels, type ChannelName, type Scaling } from '../terms/terms.js'
import { asProblem, openStores, wrongUse, type DeskStore, type Opened } from './desk.js'
import { nameOf } from './desk-records.js'
import { gather, type Series } from './desk-series.js'
import { survey, type Survey } from './desk-survey.js'
import { zoneFor, type DeskZone, type Span } from './desk-zone.js'
import { channelsIn } from './averages.js'
import { isSeriesFile, readSeriesFile, type ImportedSeries } from './import-series.js'

/** Something opened that holds hours, in a zone of its own. */
export type Source =
  | { readonly kind: 'series'; readonly series: ImportedSeries; readonly zone: DeskZone }
  | { readonly kind: 'store'; readonly store: DeskStore; readonly survey: Survey; readonly zone: DeskZone }

/** Hours of one channel of one unit at one place; or of one imported series. */
export interface Hours {
  readonly name: string
  readonly channel: string
  readonly serial?: string
  readonly scaling?: Scaling
  /** What one figure of the source stands for; above an hour its hours are shares of one figure. */
  readonly stepSeconds: number
  /** Quarter-hours, in the local standard time of the comparison. */
  readonly sums: BlockSums
}

const hourMillis = 3_600_000

export async function openSources(path: string, storeId?: string): Promise<Opened<Source[]>> {
  if (isSeriesFile(path)) {
    const read = readSeriesFile(path)
    if (!read.ok) return read
    const { offsetMinutes } = read.value
    return {
      ok: true,
      value: [{ kind: 'series', series: read.value, zone: { offsetMinutes, source: 'by the series file' } }],
    }
  }
  const stores = await openStores(path, storeId)
  if (!stores.ok)
    return stores.words.endsWith('name the folder it lies in')
      ? wrongUse(`${path} is no series file; make one of it with: motepost import ${path} --into FOLDER`)
      : stores
  const sources: Source[] = []
  for (const store of stores.value) {
    const surveyed = await survey(store)
    if (!surveyed.ok) return asProblem(surveyed.fault)
    const zone = zoneFor(undefined, undefined, surveyed.value.settingsLine)
    if (!zone.ok) return zone
    sources.push({ kind: 'store', store, survey: surveyed.value, zone: zone.value })
  }
  return { ok: true, value: sources }
}

/** All of one channel that a source holds, by unit and deployment; what has no hour that counts is left out. */
export async function hoursFrom(
  source: Source,
  channel: string,
  offsetMinutes: number,
  progress?: (share: number) => void,
): Promise<Opened<Hours[]>> {
  const isMeant = (key: string): boolean => key === channel || nameOf(key) === channel
  if (source.kind === 'series') return { ok: true, value: fromSeries(source.series, isMeant, offsetMinutes) }
  const { store, survey: surveyed } = source
  const gathered = await gather(store, surveyed, {
    channels: channelsIn(surveyed.sets).filter(isMeant),
    offsetMinutes,
    blockSeconds: quarterHourSeconds,
    noted: ever,
    progress,
  })
  if (!gathered.ok) return asProblem(gathered.fault)
  const found = gathered.value.series.map((series) => fromStore(store, series))
  return { ok: true, value: found.filter(({ sums }) => hasHour(sums)) }
}

const ever = { from: -8.64e15, to: 8.64e15 } as Span

function fromStore(store: DeskStore, { column, unit, deployment, sums }: Series): Hours {
  const slot = column.channel.split('.')[1]
  const parts = [
    store.station,
    slot && `slot ${slot}`,
    unit?.serial && `serial ${unit.serial}`,
    deployment?.place,
  ]
  return {
    name: [...new Set(parts.filter(Boolean))].join(', '),
    channel: column.channel,
    ...(unit?.serial === undefined ? {} : { serial: unit.serial }),
    ...(column.scaling === undefined ? {} : { scaling: column.scaling }),
    stepSeconds: 60,
    sums,
  }
}

function fromSeries(
  series: ImportedSeries,
  isMeant: (key: string) => boolean,
  offsetMinutes: number,
): Hours[] {
  const { keys, abouts, starts, values, stepSeconds, name } = series
  const meant = keys.filter(isMeant)
  return meant.map((key) => {
    const at = keys.indexOf(key)
    const column = values[at]
    const { serial, scaling } = abouts[at]
    const sums = new BlockSums(quarterHourSeconds)
    starts.forEach((start, i) => {
      const mean = column[i]
      sums.add({
        from: start + offsetMinutes * 60_000,
        seconds: stepSeconds,
        plannedSeconds: stepSeconds,
        usedSeconds: Number.isNaN(mean) ? 0 : stepSeconds,
        mean,
        marked: false,
        over: false,
      })
    })
    const slot = key.split('.')[1]
    return {
      name: meant.length > 1 && slot ? `${name}, slot ${slot}` : name,
      channel: key,
      ...(serial === undefined ? {} : { serial }),
      ...(scaling === undefined ? {} : { scaling }),
      stepSeconds,
      sums,
    }
  })
}

const hasHour = (sums: BlockSums): boolean =>
  sums.days().some((day) => hoursOfDay(day).some((at) => isHour(hourOf(sums, at))))

const hoursOfDay = (day: number): StandardMillis[] =>
  Array.from({ length: 24 }, (_, hour) => startOfDay(day) + hour * hourMillis)

/** Hours by series: a comparison asks for each several times, and a series is complete before the first is asked for. */
const known = new WeakMap<BlockSums, Map<StandardMillis, PeriodFigure>>()

function hourOf(sums: BlockSums, at: StandardMillis): PeriodFigure {
  let hours = known.get(sums)
  if (!hours) known.set(sums, (hours = new Map()))
  let hour = hours.get(at)
  if (!hour) hours.set(at, (hour = hourAt(sums, at)))
  return hour
}

/** Mean of an hour that counts, else NaN. */
export function hourMean(sums: BlockSums, at: StandardMillis): number {
  const hour = hourOf(sums, at)
  return isHour(hour) ? hour.mean : NaN
}

/** 24-h mean of a valid day, else NaN. */
export function dayMean(sums: BlockSums, day: number): number {
  const figure = dayFigure(sums, day, (at) => hourOf(sums, at))
  return figure.valid ? figure.mean : NaN
}

/** Hours that lie wholly or partly in [from, to), as starts. */
export function hoursBetween(from: StandardMillis, to: StandardMillis): StandardMillis[] {
  const first = Math.floor(from / hourMillis) * hourMillis
  return Array.from(
    { length: Math.max(0, Math.ceil((to - first) / hourMillis)) },
    (_, i) => first + i * hourMillis,
  )
}

/** The zone of a comparison: typed, else of the first source that knows one. */
export function commonZone(typed: string | undefined, sources: readonly Source[]): Opened<DeskZone> {
  if (typed !== undefined) return zoneFor(typed, undefined, undefined)
  const known = sources.find(({ zone }) => !zone.source.startsWith('nothing'))
  return { ok: true, value: (known ?? sources[0]).zone }
}

/** One channel name, with or without slot; masses by default. */
export function compareChannel(typed: string | undefined, usual: ChannelName): Opened<string> {
  const channel = typed ?? usual
  if ((massChannels as readonly string[]).includes(nameOf(channel))) return { ok: true, value: channel }
  return wrongUse(`--channel ${channel}: one of ${massChannels.join(', ')} can be compared`)
}
