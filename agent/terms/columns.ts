/**
 * Column sets: what the value cells of a record mean. A set is named by its content, so it means the same in every file
 * and on every station, and is written once per file.
 */
import { createHash } from 'node:crypto'
import type { Basis, Scaling, Statistic } from './channels.js'

/** Longest canonical text that is believed, in characters. */
export const longestLine = 8192

export interface Column {
  /** Channel with slot, e.g. 'pm2_5.1'. */
  readonly channel: string
  readonly statistic: Statistic
  readonly unit: string
  readonly decimals: number
  readonly scaling?: Scaling
  readonly basis: Basis
}

/** What the value cells of a record mean. Its id is derived from its text, so equal sets have equal ids. */
export interface ColumnSet {
  readonly id: string
  readonly columns: readonly Column[]
}

const columnText = (c: Column): string =>
  `${c.channel}:${c.statistic} ${c.unit} ${c.decimals}${c.scaling ? ' ' + c.scaling : ''}${c.basis === 'inferred' ? ' inferred' : ''}`

export function columnSet(columns: readonly Column[]): ColumnSet {
  const id = createHash('sha256').update(columns.map(columnText).join(',')).digest('hex').slice(0, 8)
  return { id: 'c' + id, columns }
}

export const fixedCells = ['seq', 'set', 'boot', 'mono s', 'seconds', 'planned s', 'utc'] as const
export const closingCells = ['excluded s', 'marked s'] as const

/** `columns,,<set>,…`: aligned with the records below it, so that a spreadsheet shows a heading. Has no number. */
export function columnSetText(set: ColumnSet): string {
  return [
    'columns',
    '',
    set.id,
    ...fixedCells.slice(2),
    ...set.columns.map(columnText),
    ...closingCells,
  ].join(',')
}

/** A statistic of a later release is a new word: its column is kept, and skipped by who does not know it. */
const columnShape =
  /^([a-z][a-z0-9_]*(?:\.[a-z0-9]+)?):([a-z][a-z0-9_-]*) ([A-Za-z0-9%/.*^()_-]+) ([0-6])( atmospheric| standard-particle)?( inferred)?$/

/** Reads what `columnSetText` writes, id included; undefined for anything else. */
export function parseColumnSet(text: string): ColumnSet | undefined {
  if (text.length > longestLine) return undefined
  const cells = text.split(',')
  if (cells[0] !== 'columns' || cells.length < fixedCells.length + 1 + closingCells.length) return undefined
  const columns: Column[] = []
  for (const cell of cells.slice(fixedCells.length + 1, -closingCells.length)) {
    const m = columnShape.exec(cell)
    if (!m) return undefined
    columns.push({
      channel: m[1],
      statistic: m[2] as Statistic,
      unit: m[3],
      decimals: Number(m[4]),
      ...(m[5] ? { scaling: m[5].trim() as Scaling } : {}),
      basis: m[6] ? 'inferred' : 'measured',
    })
  }
  const set = columnSet(columns)
  return columnSetText(set) === text ? set : undefined
}
