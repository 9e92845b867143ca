/** A line as a row of the staging table, in the text form of PostgreSQL's COPY ("COPY", File Formats, Text Format). */
import { crc32 } from 'node:zlib'
import { utcTextMillis, withdrawnName, type Line, type UtcMillis } from '../terms/terms.js'

export interface StagedLine {
  readonly storeNo: number
  readonly line: Line
  /** Its canonical text. */
  readonly text: string
}

/** When something was, and who says so. */
export interface RowTime {
  readonly at: UtcMillis
  readonly by: 'line' | 'check'
  readonly errorSeconds?: number
}

export const stagedColumns = [
  ...['store_no int', 'seq bigint', 'kind text', 'crc int', 'boot text', 'mono_s double precision'],
  ...['at timestamptz', 'at_by text', 'at_error_s double precision', 'said_at timestamptz'],
  ...['seconds double precision', 'planned_s double precision', 'set_id text', 'vals double precision[]'],
  ...['excluded_s jsonb', 'marked_s jsonb', 'name text', 'details jsonb', 'error_s double precision'],
  ...['from_seq bigint', 'to_seq bigint'],
] as const

type Cells = Readonly<Record<string, string | number | undefined>>
const names = stagedColumns.map((column) => column.split(' ')[0])

/** One row with its line end. */
export function stagedRow({ storeNo, line, text }: StagedLine, time: RowTime | undefined): string {
  const kind = line.kind === 'other' ? line.text.slice(0, line.text.indexOf(',')) : line.kind
  const cells: Cells = {
    ...{ store_no: storeNo, seq: line.seq, kind, crc: crc32(text) | 0 },
    ...{ at: timeCell(time?.at), at_by: time?.by, at_error_s: time?.errorSeconds },
    ...cellsOf(line),
  }
  return copyRow(names.map((name) => cells[name]))
}

function cellsOf(line: Line): Cells {
  if (line.kind === 'skip' || line.kind === 'other') return {}
  const { boot, mono, utc } = line
  if (line.kind === 'anchor')
    return { boot, mono_s: mono, at: timeCell(utc), name: line.source, error_s: line.errorSeconds }
  const common = { boot, mono_s: mono, said_at: timeCell(utc) }
  if (line.kind === 'event')
    return { ...common, name: line.name, details: json(line.details), ...withdrawalCells(line) }
  const { seconds, planned, set, values, excluded, marked } = line
  return {
    ...{ ...common, seconds, planned_s: planned, set_id: set, vals: arrayText(values) },
    ...{ excluded_s: json(excluded), marked_s: json(marked) },
  }
}

const whole = /^\d{1,15}$/

/** As the time table reads them: what comes after a withdrawal is not meant by it. */
function withdrawalCells({ seq, name, details: { from, to } }: Line & { kind: 'event' }): Cells {
  if (name !== withdrawnName || !whole.test(from) || !whole.test(to)) return {}
  return { from_seq: Number(from), to_seq: Math.min(Number(to), seq) }
}

const arrayText = (values: ArrayLike<number>): string =>
  `{${Array.from(values, (value) => (Number.isNaN(value) ? 'NULL' : value)).join(',')}}`

/** jsonb has no place for U+0000; two backslashes stand for one of the text. */
const json = (value: unknown): string =>
  JSON.stringify(value).replace(/\\\\|\\u0000/g, (found) => (found === '\\u0000' ? '\\ufffd' : found))

/** PostgreSQL has no year 0, and what needs five digits for its year is no time of ours. */
const [firstTime, lastTime] = [Date.UTC(1900, 0), Date.UTC(9999, 0)]
export const isTime = (at: number): boolean => at >= firstTime && at < lastTime

const timeCell = (at: UtcMillis | undefined): string | undefined =>
  at !== undefined && isTime(at) ? utcTextMillis(at) : undefined

const escapes: Readonly<Record<string, string>> = { '\\': '\\\\', '\t': '\\t', '\n': '\\n', '\r': '\\r' }

export const copyRow = (cells: readonly (string | number | undefined)[]): string =>
  cells
    .map((cell) =>
      typeof cell === 'string' ? cell.replace(/[\\\t\n\r]/g, (c) => escapes[c]) : (cell ?? '\\N'),
    )
    .join('\t') + '\n'
