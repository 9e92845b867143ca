/** Sums of a store's records by channel, unit and deployment: no figure made of them crosses a change of any. */
import { BlockSums, type Piece } from '../averages/averages.js'
import type { Uncertainty } from '../limits/limits.js'
import type { Deployment, Unit } from '../sitelog/sitelog.js'
import { good, isMass, isSupply, type Column, type ColumnSet, type Outcome } from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import {
  concernOf,
  eachRecord,
  isMarked,
  isOver,
  isOverCap,
  KeptStanding,
  UnplacedCount,
  type DeskRecord,
  type Standing,
  type Unplaced,
} from './desk-records.js'
import { plannedBeside } from './desk-planned.js'
import type { Survey } from './desk-survey.js'
import type { Span } from './desk-zone.js'

export interface Series {
  readonly column: Column
  readonly unit?: Unit
  readonly deployment?: Deployment
  /** As stated for an imported reference; absent: that of a sensor. */
  readonly uncertainty?: Uncertainty
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
  /** Placed by the boots before and after theirs, to half a minute. */
  readonly bounded: number
}

export interface GatherOptions {
  readonly channels: readonly string[]
  /** Summed as well, but nothing is noted of them. */
  readonly beside?: readonly string[]
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
  const layouts = new Map<ColumnSet, Layout>()
  const offsetMillis = options.offsetMinutes * 60_000
  // One for all records: a year of them would be a million and a half.
  const piece = emptyPiece()
  let corrected = 0
  let bounded = 0
  const visit = (record: DeskRecord): void => {
    if (record.utc === undefined) return unplaced.add(record)
    const isNoted = record.utc >= options.noted.from && record.utc < options.noted.to
    if (record.corrected && isNoted) corrected++
    if (record.bound && isNoted) bounded++
    let layout = layouts.get(record.set)
    if (!layout) layouts.set(record.set, (layout = layoutOf(survey, record.set, options)))
    const isLeftOut = takeStandings(layout, record)
    const marks = record.view.marked()
    const planned = record.view.planned()
    for (const mean of layout.columns) {
      const { sums } = seriesOf(series, mean, options.blockSeconds)
      fillPiece(piece, record, mean, planned, marks)
      piece.from = record.utc + offsetMillis
      sums.add(piece)
    }
    if (isNoted && isLeftOut) noteLeftOut(leftOut, record, layout)
  }
  const read = await eachRecord(store, survey, visit, async (share) => options.progress?.(share))
  if (!read.ok) return read
  return good({ series: [...series.values()], leftOut, unplaced: unplaced.list(), corrected, bounded })
}

/** Channels that stand alike in the site log. */
interface Concern {
  readonly kept: KeptStanding
  /** Of the record at hand. */
  standing: Standing
}

interface MeanColumn {
  readonly column: Column
  readonly isNoted: boolean
  readonly meanAt: number
  readonly usedAt: number
  /** -1 where no maximum is kept. */
  readonly maxAt: number
  readonly isMass: boolean
  readonly isSupply: boolean
  readonly concern: Concern
  /** The series that took the piece before: nearly always the next one's too. */
  newest?: { readonly series: Series; readonly standing: Standing }
}

/** What is read of records with one set of columns. */
interface Layout {
  readonly columns: readonly MeanColumn[]
  readonly concerns: readonly Concern[]
}

function layoutOf(survey: Survey, set: ColumnSet, { channels, beside = [] }: GatherOptions): Layout {
  const concerns = new Map<string, Concern>()
  const concernFor = (channel: string): Concern => {
    const known = concerns.get(concernOf(channel))
    const concern = known ?? { kept: new KeptStanding(survey, channel), standing: {} }
    concerns.set(concernOf(channel), concern)
    return concern
  }
  const columns = set.columns.flatMap((column, meanAt): MeanColumn[] => {
    const { channel } = column
    const isNoted = channels.includes(channel)
    if (column.statistic !== 'mean' || !(isNoted || beside.includes(channel))) return []
    const at = (statistic: Column['statistic']): number =>
      set.columns.findIndex((one) => one.channel === channel && one.statistic === statistic)
    const usedAt = at('used')
    if (usedAt < 0) return []
    const concern = concernFor(channel)
    const kinds = { isMass: isMass(channel), isSupply: isSupply(channel) }
    return [{ column, isNoted, meanAt, usedAt, maxAt: at('max'), ...kinds, concern }]
  })
  return { columns, concerns: [...concerns.values()] }
}

/** @returns whether the site log leaves any of the record out */
function takeStandings({ concerns }: Layout, { utc, seconds }: DeskRecord): boolean {
  let isLeftOut = false
  for (const concern of concerns) {
    concern.standing = concern.kept.of(utc!, seconds)
    if (concern.standing.leftOut !== undefined) isLeftOut = true
  }
  return isLeftOut
}

/** Seconds that would have counted, once for each reason, whatever the number of channels. */
function noteLeftOut(leftOut: Record<string, number>, { view }: DeskRecord, { columns }: Layout): void {
  const reasons = new Map<string, number>()
  for (const { concern, usedAt, isNoted } of columns) {
    const words = isNoted ? concern.standing.leftOut?.words : undefined
    if (words !== undefined) reasons.set(words, Math.max(reasons.get(words) ?? 0, view.value(usedAt) || 0))
  }
  for (const [words, seconds] of reasons) leftOut[words] = (leftOut[words] ?? 0) + seconds
}

function seriesOf(all: Map<string, Series>, mean: MeanColumn, blockSeconds: number): Series {
  const { newest, column } = mean
  const { standing } = mean.concern
  const { unit, deployment } = standing
  if (newest && newest.standing.unit === unit && newest.standing.deployment === deployment)
    return newest.series
  const { channel, unit: measure, scaling, basis } = column
  const key = [channel, measure, scaling, basis, unit?.serial, unit?.from, deployment?.begunBy].join('|')
  const series = all.get(key) ?? { column, unit, deployment, sums: new BlockSums(blockSeconds) }
  all.set(key, series)
  mean.newest = { series, standing }
  return series
}

type FilledPiece = { -readonly [K in keyof Piece]: Piece[K] }

const emptyPiece = (): FilledPiece => ({
  ...{ from: NaN, seconds: NaN, plannedSeconds: NaN, usedSeconds: NaN, mean: NaN },
  ...{ marked: false, over: false },
})

/** All but when it began. */
function fillPiece(
  piece: FilledPiece,
  { view, seconds }: DeskRecord,
  { column: { channel }, meanAt, usedAt, maxAt, isMass, isSupply, concern: { standing } }: MeanColumn,
  planned: number,
  marks: string,
): void {
  const mean = view.value(meanAt)
  const used = view.value(usedAt)
  const counts = standing.leftOut === undefined && !Number.isNaN(mean)
  piece.seconds = seconds
  piece.plannedSeconds = isSupply ? seconds : plannedBeside(planned, seconds, channel, used, marks)
  piece.usedSeconds = counts ? used : 0
  piece.mean = mean
  piece.marked = standing.marked !== undefined || isMarked(channel, marks)
  piece.over =
    counts && isMass && (maxAt < 0 ? isOver(channel, undefined, marks) : isOverCap(view.value(maxAt)))
}
