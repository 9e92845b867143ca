/** The records, or the rows of an imported series, that a stretch of one series is made of. */
import type { Piece, StandardMillis } from '../averages/averages.js'
import { addUtcSeconds, type ColumnSet } from '../terms/terms.js'
import { utcOf, type AveragesFound } from './averages.js'
import { asProblem, type DeskStore, type Opened } from './desk.js'
import { eachRecord, isMarked, isOver, standingOf, type DeskRecord } from './desk-records.js'
import type { Series } from './desk-series.js'
import { plannedOf } from './desk-planned.js'
import type { Asked } from './explain.js'
import { whenText } from './figure-name.js'
import { readSeriesFile } from './import-series.js'

export interface RecordRow {
  /** Number of the line; of a series file the line in it. */
  readonly line: string
  readonly start: string
  readonly piece: Piece
  /** Seconds of it that lie in the stretch. */
  readonly inside: number
  /** Of these, used. */
  readonly used: number
  /** Excluded and marked by reason, and what the site log says. */
  readonly words: string
}

/** A record, or a row, before it is asked how much of it lies in a stretch. */
export type RecordPiece = Pick<RecordRow, 'line' | 'piece' | 'words'>

/** In local standard time. */
export interface Stretch {
  readonly from: StandardMillis
  /** Not included. */
  readonly to: StandardMillis
}

/** In order of time. */
export async function recordRows(asked: Asked, series: Series): Promise<Opened<RecordRow[]>> {
  const pieces = await asked.source.pieces(asked.found, series, asked)
  if (!pieces.ok) return pieces
  return { ok: true, value: pieces.value.map((one) => rowOf(asked, one)) }
}

/** What touches a stretch, in order of time. */
export async function readPieces(
  found: AveragesFound,
  series: Series,
  stretch: Stretch,
): Promise<Opened<RecordPiece[]>> {
  const read = found.store
    ? await storePieces(found, found.store, series, stretch)
    : seriesPieces(found, series, stretch)
  if (!read.ok) return read
  const value = read.value.sort((a, b) => a.piece.from - b.piece.from || Number(a.line) - Number(b.line))
  return { ok: true, value }
}

export const isIn = ({ piece }: RecordPiece, { from, to }: Stretch): boolean =>
  piece.from < to && piece.from + piece.seconds * 1000 > from

function rowOf(asked: Asked, { line, piece, words }: RecordPiece): RecordRow {
  const end = piece.from + piece.seconds * 1000
  const inside = (Math.min(end, asked.to) - Math.max(piece.from, asked.from)) / 1000
  const share = piece.seconds > 0 ? inside / piece.seconds : 0
  const counts = piece.plannedSeconds > 0 && !Number.isNaN(piece.mean)
  const used = counts ? piece.usedSeconds * share : 0
  return { line, start: startText(piece.from, asked), piece, inside, used, words }
}

const startText = (from: number, { found }: Asked): string =>
  `${whenText(from, found.zone)}:${String(Math.floor((from / 1000) % 60)).padStart(2, '0')}`

async function storePieces(
  found: AveragesFound,
  store: DeskStore,
  series: Series,
  stretch: Stretch,
): Promise<Opened<RecordPiece[]>> {
  const pieces: RecordPiece[] = []
  const [from, to] = [utcOf(stretch.from, found.zone), utcOf(stretch.to, found.zone)]
  const read = await eachRecord(store, found.survey, (record) => {
    if (record.utc === undefined || record.utc >= to || addUtcSeconds(record.utc, record.seconds) <= from)
      return
    const piece = storePiece(found, series, record)
    if (piece) pieces.push(piece)
  })
  return read.ok ? { ok: true, value: pieces } : asProblem(read.fault)
}

/** The same as `desk-series` makes of the record; undefined where the record is of another unit, place or channel. */
function storePiece(
  { survey, zone }: AveragesFound,
  series: Series,
  record: DeskRecord,
): RecordPiece | undefined {
  const { view, set, seconds, utc } = record
  const { column } = series
  const at = placesOf(set, series)
  const standing = standingOf(survey, column.channel, utc!, seconds)
  const isSame =
    standing.unit?.serial === series.unit?.serial &&
    standing.unit?.from === series.unit?.from &&
    standing.deployment?.begunBy === series.deployment?.begunBy
  if (!at || !isSame) return undefined
  const marks = view.marked()
  const mean = view.value(at.mean)
  const counts = standing.leftOut === undefined && !Number.isNaN(mean)
  const plannedSeconds = plannedOf(record, column.channel, view.value(at.used), marks)
  const over = counts && isOver(column.channel, at.max < 0 ? undefined : view.value(at.max), marks)
  const piece: Piece = {
    from: utc! + zone.offsetMinutes * 60_000,
    ...{ seconds, plannedSeconds, usedSeconds: counts ? view.value(at.used) : 0, mean, over },
    marked: standing.marked !== undefined || isMarked(column.channel, marks),
  }
  const words = [
    view.excluded() && `excluded: ${reasons(view.excluded())}`,
    marks && `marked: ${reasons(marks)}`,
    standing.leftOut && `left out: ${standing.leftOut.words}`,
    standing.marked && `marked by the site log: ${standing.marked}`,
    record.corrected && 'placed by a time check',
    over && 'over range',
    plannedSeconds === 0 && piece.usedSeconds > 0 && 'on request: for alerts only',
  ]
  return { line: String(view.seq), piece, words: words.filter(Boolean).join('; ') }
}

const reasons = (cell: string): string =>
  cell
    .split(';')
    .map((one) => one.replace('=', ' ') + ' s')
    .join(', ')

function placesOf(
  set: ColumnSet,
  { column }: Series,
): { mean: number; used: number; max: number } | undefined {
  const of = (statistic: string): number =>
    set.columns.findIndex((one) => one.channel === column.channel && one.statistic === statistic)
  const mean = set.columns.findIndex(
    (one) =>
      one.channel === column.channel &&
      one.statistic === 'mean' &&
      one.unit === column.unit &&
      one.scaling === column.scaling &&
      one.basis === column.basis,
  )
  return mean < 0 || of('used') < 0 ? undefined : { mean, used: of('used'), max: of('max') }
}

function seriesPieces(
  { options, zone }: AveragesFound,
  { column }: Series,
  stretch: Stretch,
): Opened<RecordPiece[]> {
  const read = readSeriesFile(options.store!)
  if (!read.ok) return read
  const { starts, values, keys, stepSeconds: seconds } = read.value
  const of = values[keys.indexOf(column.channel)]
  const pieces: RecordPiece[] = []
  for (const [i, start] of starts.entries()) {
    const usedSeconds = Number.isNaN(of[i]) ? 0 : seconds
    const times = { from: start + zone.offsetMinutes * 60_000, seconds, plannedSeconds: seconds, usedSeconds }
    const piece: Piece = { ...times, mean: of[i], marked: false, over: false }
    const words = usedSeconds > 0 ? '' : 'no value in the series'
    // Its headings are line 1.
    const one = { line: String(i + 2), piece, words }
    if (isIn(one, stretch)) pieces.push(one)
  }
  return { ok: true, value: pieces }
}
