/** One batch of lines into the database, with the marks up to which they bring the files: all of it, or nothing. */
import { columnSetText, done, good, type ColumnSet, type Outcome, type SqlSession } from '../terms/terms.js'
import { monthsOf, placeAgain } from './place-again.js'
import { stagedRow, type StagedLine } from './rows.js'
import { insertColumns, insertSets, insertStaged, makeMonths, putMark } from './statements.js'
import { BatchTimes } from './times.js'

export interface Mark {
  readonly storeNo: number
  readonly file: string
  readonly bytes: number
  readonly lastCrc: string
}

export interface Batch {
  /** No two of one store and number. */
  readonly lines: readonly StagedLine[]
  readonly sets: readonly ColumnSet[]
  readonly marks: readonly Mark[]
}

/** Lines by what became of them. */
export interface Written {
  readonly given: number
  /** Under a number that is there with other content; the first stays. */
  readonly different: number
}

/** @param feed the archive that the marks belong to. Faults: sql-*; then nothing was written. */
export async function writeBatch(session: SqlSession, feed: string, batch: Batch): Promise<Outcome<Written>> {
  const begun = await session.query('BEGIN')
  if (!begun.ok) return begun
  const written = await writeLines(session, batch)
  if (!written.ok) return written
  for (const { storeNo, file, bytes, lastCrc } of batch.marks) {
    const put = await session.query(putMark, [feed, storeNo, file, bytes, lastCrc])
    if (!put.ok) return put
  }
  const over = await session.query('COMMIT')
  return over.ok ? written : over
}

async function writeLines(session: SqlSession, { lines, sets }: Batch): Promise<Outcome<Written>> {
  const explained = await writeSets(session, sets)
  if (!explained.ok) return explained
  if (lines.length === 0) return good({ given: 0, different: 0 })
  const times = await BatchTimes.load(session, lines)
  if (!times.ok) return times
  const placed = lines.map((line) => ({ line, time: times.value.ofLine(line) }))
  const rows = placed.map(({ line, time }) => stagedRow(line, time))
  const staged = await session.copyIn('COPY staged FROM STDIN', rows)
  if (!staged.ok) return staged
  const months = await session.query(makeMonths, [monthsOf(placed.map(({ time }) => time?.at))])
  if (!months.ok) return months
  const inserted = await session.query(insertStaged)
  if (!inserted.ok) return inserted
  for (const stretch of times.value.changed(lines)) {
    const moved = await placeAgain(session, times.value, stretch)
    if (!moved.ok) return moved
  }
  const [{ given, different }] = inserted.value
  return good({ given: Number(given), different: Number(different) })
}

async function writeSets(session: SqlSession, sets: readonly ColumnSet[]): Promise<Outcome<void>> {
  if (sets.length === 0) return done
  const headings = await session.query(insertSets, [sets.map(({ id }) => id), sets.map(columnSetText)])
  if (!headings.ok) return headings
  const all = sets.flatMap(({ id, columns }) =>
    columns.map((column, i) => ({ id, position: i + 1, ...column })),
  )
  const keys = ['id', 'position', 'channel', 'statistic', 'unit', 'decimals', 'scaling', 'basis'] as const
  const columns = await session.query(
    insertColumns,
    keys.map((key) => all.map((one) => one[key] ?? null)),
  )
  return columns.ok ? done : columns
}
