/** Rows whose time changes because a time check of their boot came, or one was withdrawn. */
import {
  done,
  good,
  monoSeconds,
  utcMillis,
  utcTextMillis,
  type Outcome,
  type SqlRow,
  type SqlSession,
  type UtcMillis,
} from '../terms/terms.js'
import { copyRow } from './rows.js'
import { makeMonths, rowsOfStretch, updateTimes } from './statements.js'
import type { BatchTimes, ChangedStretch } from './times.js'

const rowsAtOnce = 10_000

/** 'YYYY-MM-01' of each month that occurs. */
export const monthsOf = (times: readonly (UtcMillis | undefined)[]): string[] => [
  ...new Set(times.flatMap((at) => (at === undefined ? [] : `${utcTextMillis(at).slice(0, 7)}-01`))),
]

/** Rows that a time check, or the loss of one, moves. */
export async function placeAgain(
  session: SqlSession,
  times: BatchTimes,
  stretch: ChangedStretch,
): Promise<Outcome<void>> {
  for (const table of ['records', 'events'] as const) {
    let after: [string, string] | undefined = ['-infinity', '0']
    while (after) {
      const found = await session.query(rowsOfStretch(table, stretch.all), [
        ...[stretch.storeNo, stretch.boot, bound(stretch.from), bound(stretch.to), ...after, rowsAtOnce],
      ])
      const moved = found.ok ? await moveRows(session, times, table, stretch, found.value) : found
      if (!moved.ok) return moved
      after = moved.value
    }
  }
  return done
}

const bound = (mono: number): string =>
  mono === Infinity ? 'infinity' : mono === -Infinity ? '-infinity' : String(mono)

/** @returns after which row to look for more; undefined where there are none */
async function moveRows(
  session: SqlSession,
  times: BatchTimes,
  table: 'records' | 'events',
  { storeNo, boot }: ChangedStretch,
  rows: readonly SqlRow[],
): Promise<Outcome<[string, string] | undefined>> {
  const moves = rows.flatMap((row) => {
    const said = row.said === null ? undefined : utcMillis(Number(row.said))
    const time = times.of(storeNo, boot, monoSeconds(Number(row.mono_s)), Number(row.seq), said)
    const isSame = asText(time?.at) === row.at && asText(time?.errorSeconds) === row.at_error_s
    return isSame ? [] : { seq: Number(row.seq), time }
  })
  if (moves.length > 0) {
    const cells = moves.map(({ seq, time }) =>
      copyRow([seq, time && utcTextMillis(time.at), time?.by, time?.errorSeconds]),
    )
    for (const work of [
      () => session.copyIn('COPY moved FROM STDIN', cells),
      () => session.query(makeMonths, [monthsOf(moves.map(({ time }) => time?.at))]),
      () => session.query(updateTimes(table), [storeNo]),
      () => session.query('TRUNCATE moved'),
    ]) {
      const did = await work()
      if (!did.ok) return did
    }
  }
  const last = rows.at(-1)
  return good(last && rows.length === rowsAtOnce ? [last.mono_s!, last.seq!] : undefined)
}

const asText = (value: number | undefined): string | null => (value === undefined ? null : String(value))
