/** An imported series in place of a store, for averages and exports of hours and days. */
import { BlockSums } from '../averages/averages.js'
import { SiteLog } from '../sitelog/sitelog.js'
import { TimeTable } from '../store/store.js'
import { columnSet, good, kindOf, type Column, type Outcome } from '../terms/terms.js'
import { wrongUse, type Opened } from './desk.js'
import type { Gathered, GatherOptions } from './desk-series.js'
import type { Survey } from './desk-survey.js'
import { readSeriesFile, type ImportedSeries } from './import-series.js'

export interface SeriesAsStore {
  readonly name: string
  readonly offsetMinutes: number
  readonly survey: Survey
  gather(options: GatherOptions): Promise<Outcome<Gathered>>
}

/** What stands where a store has its id. */
export const importedSeries = 'imported series'

const hourSeconds = 3600

/** Refuses a series of longer steps than an hour: its hours would be shares of one figure. */
export function seriesAsStore(file: string, leastSteps: number): Opened<SeriesAsStore> {
  const read = readSeriesFile(file)
  if (!read.ok) return read
  const { name, offsetMinutes, keys, abouts, stepSeconds, starts } = read.value
  if (stepSeconds > leastSteps)
    return wrongUse(
      `${file} has one figure in ${stepSeconds} s: no means over ${leastSteps} s can be made of it` +
        (leastSteps < hourSeconds ? ' (leave --ten-minutes out)' : ''),
    )
  const columns = keys.map((channel, i): Column => {
    const { unit, decimals } = kindOf(channel)!
    const { basis, scaling } = abouts[i]
    return { channel, statistic: 'mean', unit, decimals, basis, ...(scaling ? { scaling } : {}) }
  })
  const survey: Survey = {
    times: new TimeTable(),
    bounds: new Map(),
    site: new SiteLog([], { resolve: () => undefined }),
    settingsLine: undefined,
    sets: [columnSet(columns)],
    ...{ lines: starts.length, records: starts.length, unexplained: 0, damaged: 0, stretches: [] },
    sound: new Map(),
  }
  const gather = async (options: GatherOptions) => good(gathered(read.value, columns, options))
  return { ok: true, value: { name, offsetMinutes, survey, gather } }
}

function gathered(
  { starts, values, abouts, stepSeconds: seconds }: ImportedSeries,
  columns: readonly Column[],
  { channels, beside = [], offsetMinutes, blockSeconds }: GatherOptions,
): Gathered {
  const series = columns.flatMap((column, at) => {
    if (!channels.includes(column.channel) && !beside.includes(column.channel)) return []
    const sums = new BlockSums(blockSeconds)
    starts.forEach((start, i) => {
      const mean = values[at][i]
      const usedSeconds = Number.isNaN(mean) ? 0 : seconds
      const from = start + offsetMinutes * 60_000
      sums.add({ from, seconds, plannedSeconds: seconds, usedSeconds, mean, marked: false, over: false })
    })
    const { serial, uncertainty } = abouts[at]
    const unit = serial === undefined ? {} : { unit: { serial } }
    return [{ column, sums, ...unit, ...(uncertainty ? { uncertainty } : {}) }]
  })
  return { series, leftOut: {}, unplaced: [], corrected: 0, bounded: 0 }
}
