/** One look at all stations of an archive beside each other; runs in a process apart, see collect-suspects.ts. */
import { suspicionsOf, type StationHours, type Suspicion } from '../analysis/analysis.js'
import { isHour } from '../averages/averages.js'
import type { Reason } from '../collector/collector.js'
import { addUtcSeconds, utcText, type UtcMillis } from '../terms/terms.js'
import { findAverages, utcOf, type SeriesFigures } from './averages.js'
import { openStores, type DeskStore } from './desk.js'
import type { DeskZone } from './desk-zone.js'
import { neighboursOf, type Place } from './neighbours.js'
import { loadRegister } from './register-file.js'

const hourMillis = 3_600_000
/** What the longest look goes back, and some days. */
const lookDays = 150
/** Neighbours of one station: more tell no more, and each is read. */
const mostNeighbours = 8
const mostStations = 2000

/** Of the stations that are suspect, by name; undefined where it was ended. @param to end of the newest hour that is looked at */
export async function lookAtStations(
  archive: string,
  to: UtcMillis,
  isEnding: () => boolean = () => false,
): Promise<Record<string, readonly Reason[]> | undefined> {
  const from = addUtcSeconds(to, -lookDays * 86_400)
  const all = await hoursOfStations(archive, from, lookDays * 24, isEnding)
  if (!all) return undefined
  const places = placesIn(archive)
  const found = all.map((one) => {
    const besides = neighboursOf(all, one, places, mostNeighbours)
    return [one.name, suspicionsOf(from, one, besides).map(reasonOf)] as const
  })
  return Object.fromEntries(found.filter(([, reasons]) => reasons.length > 0))
}

const reasonOf = ({ code, words, firstThing, since }: Suspicion): Reason => ({
  ...{ code, state: 'suspect', words, firstThing },
  since: utcText(since),
  tell: 'normal',
})

/** Where the stations stand; none where the register cannot be read: `stations register` says why. */
function placesIn(archive: string): ReadonlyMap<string, Place> {
  const register = loadRegister(archive)
  const stations = register.ok ? register.value : []
  return new Map(
    stations.flatMap(({ station, latitude, longitude }): [string, Place][] =>
      latitude === undefined || longitude === undefined ? [] : [[station, { latitude, longitude }]],
    ),
  )
}

/** Hours of PM2.5 of every station that has any, by name; `from` is the start of the first. Undefined: it was ended. */
async function hoursOfStations(
  archive: string,
  from: UtcMillis,
  hours: number,
  isEnding: () => boolean,
): Promise<StationHours[] | undefined> {
  const opened = await openStores(archive)
  if (!opened.ok) return []
  const byStation = new Map<string, DeskStore[]>()
  for (const store of opened.value)
    byStation.set(store.station, [...(byStation.get(store.station) ?? []), store])
  const all: StationHours[] = []
  for (const [name, stores] of [...byStation].sort(([a], [b]) => (a < b ? -1 : 1)).slice(0, mostStations)) {
    if (isEnding()) return undefined
    const own = await hoursOf(stores, from, hours)
    if (own) all.push({ name, hours: own })
  }
  return all
}

interface Found {
  readonly figures: SeriesFigures
  readonly zone: DeskZone
  readonly newest: number
}

/** The series that is newest now, in all stores: another unit, place or scaling is another series. */
async function hoursOf(
  stores: readonly DeskStore[],
  from: UtcMillis,
  hours: number,
): Promise<Float64Array | undefined> {
  const found: Found[] = []
  for (const { folder } of stores) {
    const day = utcText(addUtcSeconds(from, -86_400)).slice(0, 10)
    const read = await findAverages({ store: folder, channel: ['pm2_5'], from: day })
    if (!read.ok) continue
    const { figures, zone } = read.value
    for (const one of figures) {
      const last = one.rows.at(-1)
      if (last) found.push({ figures: one, zone, newest: utcOf(last.figure.from, zone) })
    }
  }
  const [newest] = [...found].sort((a, b) => b.newest - a.newest)
  if (!newest) return undefined
  const same = found.filter((one) => keyOf(one) === keyOf(newest))
  const values = new Float64Array(hours).fill(NaN)
  for (const { figures, zone } of same)
    for (const { figure } of figures.rows) {
      const at = Math.floor((utcOf(figure.from, zone) - from) / hourMillis)
      if (at >= 0 && at < hours && isHour(figure)) values[at] = figure.mean
    }
  return values
}

const keyOf = ({ figures: { series } }: Found): string =>
  JSON.stringify([
    series.column.channel,
    series.column.scaling,
    series.unit?.serial,
    series.deployment?.place,
  ])
