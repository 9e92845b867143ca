/** Sums of a store's records by channel, unit and deployment: no figure made of them crosses a change of any. */
import { BlockSums } from '../averages/averages.js'
import type { Deployment, Unit } from '../sitelog/sitelog.js'
import { good, type Column, type Outcome } from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import {
  eachRecord,
  isMarked,
  isOver,
  standingOf,
  UnplacedCount,
  type DeskRecord,
  type Standing,
  type Unplaced,
} from './desk-records.js'
import type { Survey } from './desk-survey.js'

export interface Series {
  readonly column: Column
  readonly unit?: Unit
  readonly deployment?: Deployment
  /** In local standard time. */
  readonly sums: BlockSums
}

export interface Gathered {
  /** In the order in which they were met. */
  readonly series: readonly Series[]
  /** Seconds by reason that count in the records, but not here: service, excluded spans, outside a deployment. */
  readonly leftOut: Readonly<Record<string, number>>
  readonly unplaced: readonly Unplaced[]
  readonly corrected: number
}

export interface GatherOptions {
  readonly channels: readonly string[]
  readonly offsetMinutes: number
  readonly blockSeconds: number
  /** Called between stretches with the share that is done. */
  readonly progress?: (share: number) => void
}

export async function gather(
  store: DeskStore,
  survey: Survey,
  options: GatherOptions,
): Promise<Outcome<Gathered>> {
  const series = new Map<string, Series>()
  const unplaced = new UnplacedCount()
  const leftOut: Record<string, number> = {}
  const layouts = new Map<string, MeanColumn[]>()
  let corrected = 0
  const visit = (record: DeskRecord): void => {
    if (record.utc === undefined) return unplaced.add(record.boot, record.view.seq)
    if (record.corrected) corrected++
    let columns = layouts.get(record.set.id)
    if (!columns) layouts.set(record.set.id, (columns = meanColumns(record, options.channels)))
    const noted = new Set<string>()
    for (const mean of columns) {
      const { column, usedAt } = mean
      const standing = standingOf(survey, column.channel, record.utc, record.seconds)
      addPiece(seriesOf(series, column, standing, options), record, mean, standing, options)
      const { words } = standing.leftOut ?? {}
      if (words === undefined || noted.has(words)) continue
      noted.add(words)
      leftOut[words] = (leftOut[words] ?? 0) + (record.view.value(usedAt) || 0)
    }
  }
  const read = await eachRecord(store, survey, visit, async (share) => options.progress?.(share))
  if (!read.ok) return read
  return good({ series: [...series.values()], leftOut, unplaced: unplaced.list(), corrected })
}

interface MeanColumn {
  readonly column: Column
  readonly meanAt: number
  readonly usedAt: number
}

function meanColumns({ set }: DeskRecord, channels: readonly string[]): MeanColumn[] {
  return set.columns.flatMap((column, meanAt) => {
    if (column.statistic !== 'mean' || !channels.includes(column.channel)) return []
    const usedAt = set.columns.findIndex((one) => one.channel === column.channel && one.statistic === 'used')
    return usedAt < 0 ? [] : [{ column, meanAt, usedAt }]
  })
}

function seriesOf(
  all: Map<string, Series>,
  column: Column,
  { unit, deployment }: Standing,
  { blockSeconds }: GatherOptions,
): Series {
  const { channel, unit: measure, scaling, basis } = column
  const key = [channel, measure, scaling, basis, unit?.serial, unit?.from, deployment?.begunBy].join('|')
  let one = all.get(key)
  if (!one) {
    one = { column, unit, deployment, sums: new BlockSums(blockSeconds) }
    all.set(key, one)
  }
  return one
}

function addPiece(
  { sums }: Series,
  { view, set, seconds, utc }: DeskRecord,
  { column, meanAt, usedAt }: MeanColumn,
  standing: Standing,
  { offsetMinutes }: GatherOptions,
): void {
  const mean = view.value(meanAt)
  const counts = standing.leftOut === undefined && !Number.isNaN(mean)
  sums.add({
    from: utc! + offsetMinutes * 60_000,
    seconds,
    plannedSeconds: view.planned(),
    usedSeconds: counts ? view.value(usedAt) : 0,
    mean,
    marked: standing.marked !== undefined || isMarked(column.channel, view.marked()),
    over: counts && isOver(set, column.channel, view),
  })
}
