/** Sums of a store's records by channel, unit and deployment: no figure made of them crosses a change of any. */
import { BlockSums, type Piece } from '../averages/averages.js'
import type { Deployment, Unit } from '../sitelog/sitelog.js'
import { good, type Column, type Outcome } from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import {
  concernOf,
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
import type { Span } from './desk-zone.js'

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
  /** What is left out, or was corrected, is counted of this time only; sums are made of all. */
  readonly noted: Span
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
    const isNoted = record.utc >= options.noted.from && record.utc < options.noted.to
    if (record.corrected && isNoted) corrected++
    let columns = layouts.get(record.set.id)
    if (!columns) layouts.set(record.set.id, (columns = meanColumns(record, options.channels)))
    const standings = standingsOf(survey, record, columns)
    for (const mean of columns) {
      const standing = standings.get(mean.concern)!
      const { sums } = seriesOf(series, mean, standing, options.blockSeconds)
      sums.add(pieceOf(record, mean, standing, options.offsetMinutes))
    }
    if (isNoted) noteLeftOut(leftOut, record, columns, standings)
  }
  const read = await eachRecord(store, survey, visit, async (share) => options.progress?.(share))
  if (!read.ok) return read
  return good({ series: [...series.values()], leftOut, unplaced: unplaced.list(), corrected })
}

interface MeanColumn {
  readonly column: Column
  readonly meanAt: number
  readonly usedAt: number
  /** -1 where no maximum is kept. */
  readonly maxAt: number
  /** Channels of one concern stand alike in the site log. */
  readonly concern: string
  /** The series that took the piece before: nearly always the next one's too. */
  newest?: { readonly series: Series; readonly standing: Standing }
}

function meanColumns({ set }: DeskRecord, channels: readonly string[]): MeanColumn[] {
  return set.columns.flatMap((column, meanAt): MeanColumn[] => {
    const { channel } = column
    if (column.statistic !== 'mean' || !channels.includes(channel)) return []
    const at = (statistic: Column['statistic']): number =>
      set.columns.findIndex((one) => one.channel === channel && one.statistic === statistic)
    const usedAt = at('used')
    return usedAt < 0 ? [] : [{ column, meanAt, usedAt, maxAt: at('max'), concern: concernOf(channel) }]
  })
}

type Standings = ReadonlyMap<string, Standing>

function standingsOf(
  survey: Survey,
  { utc, seconds }: DeskRecord,
  columns: readonly MeanColumn[],
): Standings {
  const standings = new Map<string, Standing>()
  for (const { concern, column } of columns)
    if (!standings.has(concern)) standings.set(concern, standingOf(survey, column.channel, utc!, seconds))
  return standings
}

/** Seconds that would have counted, once for each reason, whatever the number of channels. */
function noteLeftOut(
  leftOut: Record<string, number>,
  { view }: DeskRecord,
  columns: readonly MeanColumn[],
  standings: Standings,
): void {
  const reasons = new Map<string, number>()
  for (const { concern, usedAt } of columns) {
    const words = standings.get(concern)!.leftOut?.words
    if (words !== undefined) reasons.set(words, Math.max(reasons.get(words) ?? 0, view.value(usedAt) || 0))
  }
  for (const [words, seconds] of reasons) leftOut[words] = (leftOut[words] ?? 0) + seconds
}

function seriesOf(
  all: Map<string, Series>,
  mean: MeanColumn,
  standing: Standing,
  blockSeconds: number,
): Series {
  const { unit, deployment } = standing
  const { newest, column } = mean
  if (newest && newest.standing.unit === unit && newest.standing.deployment === deployment)
    return newest.series
  const { channel, unit: measure, scaling, basis } = column
  const key = [channel, measure, scaling, basis, unit?.serial, unit?.from, deployment?.begunBy].join('|')
  const series = all.get(key) ?? { column, unit, deployment, sums: new BlockSums(blockSeconds) }
  all.set(key, series)
  mean.newest = { series, standing }
  return series
}

function pieceOf(
  { view, seconds, utc }: DeskRecord,
  { column, meanAt, usedAt, maxAt }: MeanColumn,
  standing: Standing,
  offsetMinutes: number,
): Piece {
  const mean = view.value(meanAt)
  const counts = standing.leftOut === undefined && !Number.isNaN(mean)
  const marks = view.marked()
  return {
    from: utc! + offsetMinutes * 60_000,
    seconds,
    plannedSeconds: view.planned(),
    usedSeconds: counts ? view.value(usedAt) : 0,
    mean,
    marked: standing.marked !== undefined || isMarked(column.channel, marks),
    over: counts && isOver(column.channel, maxAt < 0 ? undefined : view.value(maxAt), marks),
  }
}
