/** What else was going on during an episode: wind and sound minute by minute, site log, activity log. */
import { windMean, type WindMean, type WindSample } from '../analysis/analysis.js'
import type { ListedEntry } from '../sitelog/sitelog.js'
import type { ColumnSet } from '../terms/terms.js'
import { importedSeries } from './averages-series.js'
import { openRecords } from './averages-source.js'
import { channelsIn, type AveragesFound, type SeriesFigures } from './averages.js'
import { eachRecord, nameOf, slotOf } from './desk-records.js'
import { utcOfLocal } from './explain.js'
import { activitiesIn, type Activity, type ActivityLog } from './import-events.js'
import { readSeriesFile } from './import-series.js'

export interface SoundFacts {
  /** Mean of energies of the levels recorded, dB. */
  readonly mean: number
  readonly highest: number
  /** Of the time of the episode, 0 to 1. */
  readonly share: number
}

export interface WindFacts extends WindMean {
  /** Of the time of the episode, 0 to 1. */
  readonly share: number
}

export interface Surrounding {
  /** 'none': no such instrument; 'no-data': there is one, but it gave nothing then. */
  readonly wind: WindFacts | 'none' | 'no-data'
  readonly sound: SoundFacts | 'none' | 'no-data'
  readonly siteLog: readonly ListedEntry[]
  readonly activities: readonly Activity[]
}

export interface Run {
  readonly from: number
  readonly to: number
}

/** What is heard and felt in one run, gathered sample by sample. */
class Gatherer {
  private readonly winds: WindSample[] = []
  private energy = 0
  private soundSeconds = 0
  private highest = -Infinity

  constructor(private readonly seconds: number) {}

  wind(sample: WindSample): void {
    this.winds.push(sample)
  }

  sound(level: number, highest: number, seconds: number): void {
    this.energy += seconds * 10 ** (level / 10)
    this.soundSeconds += seconds
    this.highest = Math.max(this.highest, highest)
  }

  windFacts(): WindFacts | undefined {
    const mean = windMean(this.winds)
    const seconds = this.winds.reduce((sum, { weight = 0 }) => sum + weight, 0)
    return mean && { ...mean, share: Math.min(1, seconds / this.seconds) }
  }

  soundFacts(): SoundFacts | undefined {
    if (!(this.soundSeconds > 0)) return undefined
    const mean = 10 * Math.log10(this.energy / this.soundSeconds)
    return { mean, highest: this.highest, share: Math.min(1, this.soundSeconds / this.seconds) }
  }
}

/** @param runs in local standard time, in order, none over another */
export async function surroundingsOf(
  found: AveragesFound,
  one: SeriesFigures,
  runs: readonly Run[],
  activities: ActivityLog | undefined,
): Promise<Surrounding[]> {
  if (runs.length === 0) return []
  const channels = channelsIn(found.survey.sets)
  const gatherers = runs.map(({ from, to }) => new Gatherer((to - from) / 1000))
  const keys = keysOf(channels, slotOf(one.series.column.channel))
  if (keys.speed ?? keys.sound) await fill(found, runs, gatherers, keys)
  return runs.map(({ from, to }, i) => {
    const [begin, end] = [utcOfLocal(from, found.zone), utcOfLocal(to, found.zone)]
    return {
      wind: keys.speed === undefined ? 'none' : (gatherers[i].windFacts() ?? 'no-data'),
      sound: keys.sound === undefined ? 'none' : (gatherers[i].soundFacts() ?? 'no-data'),
      siteLog: found.survey.site
        .entries()
        .filter(
          (entry) =>
            entry.entry && entry.from !== undefined && entry.from < end && (entry.to ?? entry.from) >= begin,
        ),
      activities: activities ? activitiesIn(activities, begin, end) : [],
    }
  })
}

interface Keys {
  readonly speed?: string
  readonly from?: string
  readonly sound?: string
}

/** Of the same slot where there is one; else the first. Wind needs speed and direction. */
function keysOf(channels: readonly string[], slot: string | undefined): Keys {
  const of = (name: string): string | undefined => {
    const all = channels.filter((channel) => nameOf(channel) === name)
    return all.find((channel) => slotOf(channel) === slot) ?? all[0]
  }
  const [speed, from, sound] = ['wind_speed', 'wind_from', 'sound'].map(of)
  return {
    ...(speed !== undefined && from !== undefined ? { speed, from } : {}),
    ...(sound === undefined ? {} : { sound }),
  }
}

async function fill(
  found: AveragesFound,
  runs: readonly Run[],
  gatherers: readonly Gatherer[],
  keys: Keys,
): Promise<void> {
  if (found.storeId === importedSeries) return fillFromSeries(found, runs, gatherers, keys)
  const opened = await openRecords(found.options, 3600)
  if (!opened.ok || !opened.value.store) return
  const { store, survey } = opened.value
  const places = new Map<ColumnSet, Places>()
  await eachRecord(store, survey, ({ utc, seconds, set, view }) => {
    if (utc === undefined) return
    const run = runOver(runs, utc + found.zone.offsetMinutes * 60_000)
    if (run < 0) return
    let at = places.get(set)
    if (!at) places.set(set, (at = placesIn(set, keys)))
    const value = (place: number): number => (place < 0 ? NaN : view.value(place))
    take(gatherers[run], {
      ...{ speed: value(at.speed), from: value(at.from), sound: value(at.sound), seconds },
      highest: value(at.highest),
    })
  })
}

interface Sample {
  readonly speed: number
  readonly from: number
  readonly sound: number
  readonly highest: number
  readonly seconds: number
}

function take(gatherer: Gatherer, { speed, from, sound, highest, seconds }: Sample): void {
  if (!Number.isNaN(speed) && !Number.isNaN(from))
    gatherer.wind({ fromDegrees: from, speed, weight: seconds })
  if (!Number.isNaN(sound)) gatherer.sound(sound, Number.isNaN(highest) ? sound : highest, seconds)
}

interface Places {
  readonly speed: number
  readonly from: number
  readonly sound: number
  readonly highest: number
}

function placesIn({ columns }: ColumnSet, keys: Keys): Places {
  const at = (channel: string | undefined, statistic: string): number =>
    columns.findIndex((column) => column.channel === channel && column.statistic === statistic)
  return {
    speed: at(keys.speed, 'mean'),
    from: at(keys.from, 'mean'),
    sound: at(keys.sound, 'mean'),
    highest: at(keys.sound, 'max'),
  }
}

/** The run that a moment lies in; a record belongs to the run that it begins in. */
function runOver(runs: readonly Run[], at: number): number {
  let [low, high] = [0, runs.length - 1]
  while (low <= high) {
    const middle = (low + high) >> 1
    if (at < runs[middle].from) high = middle - 1
    else if (at >= runs[middle].to) low = middle + 1
    else return middle
  }
  return -1
}

function fillFromSeries(
  { options, zone }: AveragesFound,
  runs: readonly Run[],
  gatherers: readonly Gatherer[],
  keys: Keys,
): void {
  const read = readSeriesFile(options.store!)
  if (!read.ok) return
  const { starts, values, keys: columns, stepSeconds: seconds } = read.value
  const of = (key: string | undefined, i: number): number =>
    key === undefined ? NaN : (values[columns.indexOf(key)]?.[i] ?? NaN)
  for (const [i, start] of starts.entries()) {
    const run = runOver(runs, start + zone.offsetMinutes * 60_000)
    if (run < 0) continue
    const [speed, from, sound] = [of(keys.speed, i), of(keys.from, i), of(keys.sound, i)]
    take(gatherers[run], { speed, from, sound, highest: NaN, seconds })
  }
}
