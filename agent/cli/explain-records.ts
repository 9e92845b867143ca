/** The records, or the rows of an imported series, that a stretch of one series is made of. */
import type { Piece } from '../averages/averages.js'
import { addUtcSeconds, type ColumnSet } from '../terms/terms.js'
import { importedSeries } from './averages-series.js'
import { openRecords } from './averages-source.js'
import { asProblem, wrongUse, type Opened } from './desk.js'
import { eachRecord, isMarked, isOver, standingOf, type DeskRecord } from './desk-records.js'
import type { Series } from './desk-series.js'
import { plannedOf } from './desk-planned.js'
import type { Survey } from './desk-survey.js'
import type { Asked } from './explain.js'
import { utcOfLocal } from './explain.js'
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

/** In order of time. */
export async function recordRows(asked: Asked, series: Series): Promise<Opened<RecordRow[]>> {
  const rows =
    asked.found.storeId === importedSeries ? seriesRows(asked, series) : await storeRows(asked, series)
  return rows.ok
    ? {
        ok: true,
        value: rows.value.sort((a, b) => a.piece.from - b.piece.from || Number(a.line) - Number(b.line)),
      }
    : rows
}

function rowOf(asked: Asked, line: string, piece: Piece, words: string): RecordRow {
  const end = piece.from + piece.seconds * 1000
  const inside = (Math.min(end, asked.to) - Math.max(piece.from, asked.from)) / 1000
  const share = piece.seconds > 0 ? inside / piece.seconds : 0
  const isIn = piece.plannedSeconds > 0 && !Number.isNaN(piece.mean)
  const used = isIn ? piece.usedSeconds * share : 0
  return { line, start: startText(piece.from, asked), piece, inside, used, words }
}

const startText = (from: number, { found }: Asked): string =>
  `${whenText(from, found.zone)}:${String(Math.floor((from / 1000) % 60)).padStart(2, '0')}`

async function storeRows(asked: Asked, series: Series): Promise<Opened<RecordRow[]>> {
  const opened = await openRecords(asked.options, 3600)
  if (!opened.ok) return opened
  const { store, survey } = opened.value
  if (!store) return wrongUse('there is no store to take records from')
  const rows: RecordRow[] = []
  const [from, to] = [utcOfLocal(asked.from, asked.found.zone), utcOfLocal(asked.to, asked.found.zone)]
  const read = await eachRecord(store, survey, (record) => {
    if (record.utc === undefined || record.utc >= to || addUtcSeconds(record.utc, record.seconds) <= from)
      return
    const row = storeRow(asked, series, survey, record)
    if (row) rows.push(row)
  })
  return read.ok ? { ok: true, value: rows } : asProblem(read.fault)
}

/** The same as `desk-series` makes of the record; undefined where the record is of another unit, place or channel. */
function storeRow(asked: Asked, series: Series, survey: Survey, record: DeskRecord): RecordRow | undefined {
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
    from: utc! + asked.found.zone.offsetMinutes * 60_000,
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
  return rowOf(asked, String(view.seq), piece, words.filter(Boolean).join('; '))
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

function seriesRows(asked: Asked, { column }: Series): Opened<RecordRow[]> {
  const read = readSeriesFile(asked.options.store!)
  if (!read.ok) return read
  const { starts, values, keys, stepSeconds: seconds } = read.value
  const of = values[keys.indexOf(column.channel)]
  const rows: RecordRow[] = []
  for (const [i, start] of starts.entries()) {
    const from = start + asked.found.zone.offsetMinutes * 60_000
    if (from >= asked.to || from + seconds * 1000 <= asked.from) continue
    const usedSeconds = Number.isNaN(of[i]) ? 0 : seconds
    const piece = {
      from,
      seconds,
      plannedSeconds: seconds,
      usedSeconds,
      mean: of[i],
      marked: false,
      over: false,
    }
    rows.push(rowOf(asked, String(i + 2), piece, usedSeconds > 0 ? '' : 'no value in the series'))
  }
  return { ok: true, value: rows }
}
