/** Once a day, each station of the archive beside its neighbours: does one that lives measure nonsense? */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { suspicionsOf, type StationHours, type Suspicion } from '../analysis/analysis.js'
import { isHour } from '../averages/averages.js'
import type { Reason } from '../collector/collector.js'
import { addUtcSeconds, utcMillis, utcText, type Log, type UtcMillis } from '../terms/terms.js'
import { findAverages, utcOf, type SeriesFigures } from './averages.js'
import { openStores, type DeskStore } from './desk.js'
import type { DeskZone } from './desk-zone.js'
import { writeWhole } from './write-whole.js'

const fileName = 'suspects.json'
const hourMillis = 3_600_000
const dayMillis = 24 * hourMillis
/** What the longest look goes back, and some days. */
const lookDays = 150
/** Neighbours of one station: more tell no more, and each is read. */
const mostNeighbours = 8
const mostStations = 2000

export class Suspects {
  private found = new Map<string, readonly Reason[]>()
  private lookedDay: number | undefined
  private work: Promise<void> | undefined
  private isEnding = false

  constructor(
    private readonly archive: string,
    private readonly log: Pick<Log, 'warn'>,
  ) {
    this.restore()
  }

  of(station: string): readonly Reason[] {
    return this.found.get(station) ?? []
  }

  /** A look begins with the first step of each day of UTC, over restarts too. @param utc undefined while no clock is trusted */
  step(utc: UtcMillis | undefined): void {
    if (utc === undefined || this.work) return
    const day = Math.floor(utc / dayMillis)
    if (day === this.lookedDay) return
    this.lookedDay = day
    this.work = this.look(utc)
      .catch((error: unknown) => this.log.warn(`stations were not compared: ${String(error)}`))
      .finally(() => (this.work = undefined))
  }

  /** The look that is under way has ended. */
  async settled(): Promise<void> {
    await this.work
  }

  /** Ends with the station that is read now; what is missing is looked at after the next start. */
  end(): Promise<void> {
    this.isEnding = true
    return this.settled()
  }

  private async look(utc: UtcMillis): Promise<void> {
    const to = utcMillis(Math.floor(utc / hourMillis) * hourMillis)
    const from = addUtcSeconds(to, -lookDays * 86_400)
    const all = await hoursOfStations(this.archive, from, lookDays * 24, () => this.isEnding)
    if (!all) return
    this.found = new Map(
      all.map((one) => [one.name, suspicionsOf(from, one, besides(all, one)).map(reasonOf)]),
    )
    const suspects = Object.fromEntries([...this.found].filter(([, reasons]) => reasons.length > 0))
    const day = Math.floor(utc / dayMillis)
    writeWhole(join(this.archive, fileName), JSON.stringify({ v: 1, day, suspects }, null, 1) + '\n')
  }

  /** What the last look found holds until the next. */
  private restore(): void {
    try {
      const { v, day, suspects } = Object(
        JSON.parse(readFileSync(join(this.archive, fileName), 'utf8')),
      ) as Record<string, unknown>
      if (v !== 1) return
      for (const [station, reasons] of Object.entries(Object(suspects) as Record<string, unknown>))
        if (Array.isArray(reasons) && reasons.every(isReason)) this.found.set(station, reasons)
      if (typeof day === 'number') this.lookedDay = day
    } catch {
      // None was written yet, or it is damaged: the next look finds them again.
    }
  }
}

const isReason = (value: unknown): value is Reason => {
  const { code, state, words, firstThing } = Object(value) as Record<string, unknown>
  return state === 'suspect' && [code, words, firstThing].every((text) => typeof text === 'string')
}

const reasonOf = ({ code, words, firstThing, since }: Suspicion): Reason => ({
  ...{ code, state: 'suspect', words, firstThing },
  since: utcText(since),
  tell: 'normal',
})

/** Those that follow it by name, as many as tell something. */
function besides(all: readonly StationHours[], one: StationHours): readonly StationHours[] {
  const at = all.indexOf(one)
  return [...all.slice(at + 1), ...all.slice(0, at)].slice(0, mostNeighbours)
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
