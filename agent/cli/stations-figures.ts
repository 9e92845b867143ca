/** `motepost stations averages` and `stations export`: the desk's figures of named stations of an archive, one CSV for several. */
import { addUtcSeconds, type ColumnSet } from '../terms/terms.js'
import { averages, channelsIn, findAverages, type AveragesOptions } from './averages.js'
import { asProblem, openStores, refuse, wrongUse, type DeskStore, type Opened } from './desk.js'
import { eachRecord, nameOf } from './desk-records.js'
import { survey, type Survey } from './desk-survey.js'
import { readSpan, zoneFor } from './desk-zone.js'
import {
  csvRow,
  dayCells,
  daysHeading,
  hourCells,
  hoursHeading,
  MinuteRows,
  type Cell,
} from './export-csv.js'
import { Sink } from './sink.js'

export interface StationsAveragesOptions extends Omit<AveragesOptions, 'store' | 'storeId' | 'settings'> {
  readonly archive: string
}

/** Stores one after the other; with --json a line each. @returns exit code: 0 told, 1 of some there is nothing, 2 wrong use */
export async function stationsAverages(
  stations: readonly string[],
  { archive, ...options }: StationsAveragesOptions,
): Promise<number> {
  const stores = await storesOf(archive, stations)
  if (!stores.ok) return refuse(stores)
  let worst = 0
  for (const { folder } of stores.value)
    worst = Math.max(worst, await averages({ ...options, store: folder }))
  return worst
}

export interface StationsExportOptions {
  readonly archive: string
  readonly of?: string
  readonly out?: string
  readonly force?: boolean
  readonly decimal?: string
  readonly channel?: readonly string[]
  readonly from?: string
  readonly to?: string
  readonly zone?: string
}

/** One CSV of all these stations, station and store in front of each row. @returns exit code: 0 written, 1 it could not be, 2 wrong use */
export async function stationsExport(
  stations: readonly string[],
  options: StationsExportOptions,
): Promise<number> {
  const { of = 'hours', decimal = 'point' } = options
  if (!['minutes', 'hours', 'days'].includes(of))
    return refuse(wrongUse(`--of ${of}: expected minutes, hours, days`))
  if (decimal !== 'point' && decimal !== 'comma')
    return refuse(wrongUse(`--decimal ${decimal}: expected point, comma`))
  const stores = await storesOf(options.archive, stations)
  if (!stores.ok) return refuse(stores)
  const rows = of === 'minutes' ? await minuteRows(stores.value, options) : figureRows(options)
  if (!rows.ok) return refuse(rows)
  const sink = await Sink.open(options.out, options.force ?? false)
  if (!sink.ok) return refuse(sink)
  const write = (cells: readonly Cell[]): void => sink.value.write(csvRow(cells, decimal))
  write(['station', 'store', ...rows.value.heading])
  let written = 0
  for (const store of stores.value) {
    const put = (cells: readonly Cell[]): void => {
      write([store.station, store.storeId, ...cells])
      written++
    }
    const told = await rows.value.each(store, put, () => sink.value.drained())
    if (!told.ok) return refuse(told)
    await sink.value.drained()
  }
  const failed = await sink.value.end()
  if (failed !== undefined) return refuse({ code: 1, words: `not written to its end: ${failed}` })
  if (options.out !== undefined)
    process.stdout.write(`${written} ${of} of ${stores.value.length} stores in ${options.out}\n`)
  return 0
}

/** All stores of each named station, in the order of the names. */
export async function storesOf(archive: string, stations: readonly string[]): Promise<Opened<DeskStore[]>> {
  const all = await openStores(archive)
  if (!all.ok) return all
  const known = [...new Set(all.value.map(({ station }) => station))]
  const unknown = stations.find((name) => !known.includes(name))
  if (unknown !== undefined)
    return wrongUse(`${archive} has no station '${unknown}'; there are ${known.join(', ')}`)
  return {
    ok: true,
    value: [...new Set(stations)].flatMap((name) => all.value.filter(({ station }) => station === name)),
  }
}

type Put = (cells: readonly Cell[]) => void

interface Rows {
  readonly heading: readonly Cell[]
  each(store: DeskStore, put: Put, drained: () => Promise<void>): Promise<Opened<void>>
}

const told: Opened<void> = { ok: true, value: undefined }

function figureRows(options: StationsExportOptions): Opened<Rows> {
  const ofDays = options.of === 'days'
  const { channel, from, to, zone } = options
  return {
    ok: true,
    value: {
      heading: ofDays ? daysHeading : hoursHeading,
      each: async ({ folder }, put) => {
        const found = await findAverages({ store: folder, channel, from, to, zone, everything: true })
        if (!found.ok) return found
        for (const cells of ofDays ? dayCells(found.value) : hourCells(found.value)) put(cells)
        return told
      },
    },
  }
}

/** A first pass through every store finds the columns of all. */
async function minuteRows(
  stores: readonly DeskStore[],
  options: StationsExportOptions,
): Promise<Opened<Rows>> {
  const surveys = new Map<DeskStore, Survey>()
  for (const store of stores) {
    const surveyed = await survey(store)
    if (!surveyed.ok) return asProblem(surveyed.fault)
    surveys.set(store, surveyed.value)
  }
  const sets = [...surveys.values()].flatMap((one) => one.sets)
  const channels = wanted(sets, options.channel)
  if (!channels.ok) return channels
  const rowsOf = (store: DeskStore) => {
    const surveyed = surveys.get(store)!
    const zone = zoneFor(options.zone, undefined, surveyed.settingsLine)
    const span = zone.ok ? readSpan(options.from, options.to, zone.value) : zone
    if (!zone.ok || !span.ok) return span as Extract<typeof span, { ok: false }>
    const rows = new MinuteRows({ ...surveyed, sets }, channels.value, zone.value)
    return { ok: true as const, value: { surveyed, span: span.value, rows } }
  }
  const first = rowsOf(stores[0])
  if (!first.ok) return first
  return {
    ok: true,
    value: {
      heading: first.value.rows.heading(),
      each: async (store, put, drained) => {
        const made = rowsOf(store)
        if (!made.ok) return made
        const { surveyed, span, rows } = made.value
        const everything = options.from === undefined && options.to === undefined
        const read = await eachRecord(
          store,
          surveyed,
          (record) => {
            const { utc, seconds } = record
            const inside = utc !== undefined && utc < span.to && addUtcSeconds(utc, seconds) > span.from
            if (inside || (utc === undefined && everything)) put(rows.row(record))
          },
          drained,
        )
        return read.ok ? told : asProblem(read.fault)
      },
    },
  }
}

function wanted(sets: readonly ColumnSet[], typed: readonly string[] | undefined): Opened<string[]> {
  const all = channelsIn(sets)
  const words = typed?.flatMap((text) => text.split(','))
  if (!words || words.includes('all')) return { ok: true, value: all }
  const isOne = (channel: string, word: string): boolean => channel === word || nameOf(channel) === word
  const unknown = words.find((word) => !all.some((channel) => isOne(channel, word)))
  if (unknown !== undefined)
    return wrongUse(`--channel ${unknown}: there are ${all.join(', ') || 'no records yet'}`)
  return { ok: true, value: all.filter((channel) => words.some((word) => isOne(channel, word))) }
}
