import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'

/** A record as anybody may read it from the text of a lines file (FORMAT.md), without the agent's code. */
export interface StoredRecord {
  readonly seq: number
  readonly seconds: number
  /** Seconds in which readings counted. */
  readonly used: number
  /** By column heading up to the unit, such as 'pm2_5:mean'; empty cells are left out. */
  readonly values: Readonly<Record<string, number>>
  /** Seconds by reason. */
  readonly excluded: Readonly<Record<string, number>>
  readonly marked: Readonly<Record<string, number>>
}

/** Kind, number and set; the headings of a 'columns' line stand for the cells after them. */
const fixedCells = 3

/** Whole lines of all files of a store, as cells, the CRC left out. */
function linesOf(folder: string): string[][] {
  return readdirSync(folder)
    .filter((name) => name.startsWith('lines-'))
    .sort()
    .flatMap((name) => readFileSync(join(folder, name), 'utf8').split('\n'))
    .filter((line) => /,k[0-9a-f]{8}$/.test(line))
    .map((line) => line.split(',').slice(0, -1))
}

export function storedRecords(folder: string): StoredRecord[] {
  const columns = new Map<string, string[]>()
  const records: StoredRecord[] = []
  for (const cells of existing(folder)) {
    if (cells[0] === 'columns') columns.set(cells[2], cells.slice(3).map(heading))
    const names = cells[0] === 'record' ? columns.get(cells[2]) : undefined
    if (names) records.push(recordOf(cells, names))
  }
  return records
}

const existing = (folder: string): string[][] => {
  try {
    return linesOf(folder)
  } catch {
    return []
  }
}

const heading = (cell: string): string => cell.split(' ')[0]

function recordOf(cells: string[], names: string[]): StoredRecord {
  const cell = (name: string): string => cells[fixedCells + names.indexOf(name)]
  const values: Record<string, number> = {}
  names.forEach((name, i) => {
    const text = cells[fixedCells + i]
    if (name.includes(':') && text !== '') values[name] = Number(text)
  })
  return {
    seq: Number(cells[1]),
    seconds: Number(cell('seconds')),
    used: Math.max(0, ...names.filter((name) => name.endsWith(':used')).map((name) => values[name] ?? 0)),
    values,
    excluded: secondsOf(cell('excluded')),
    marked: secondsOf(cell('marked')),
  }
}

const secondsOf = (cell: string): Record<string, number> =>
  Object.fromEntries(
    cell
      .split(';')
      .filter((part) => part !== '')
      .map((part) => [part.split('=')[0], Number(part.split('=')[1])]),
  )

/** Events by name with their details as text, in order. */
export function storedEvents(folder: string): { name: string; details: string }[] {
  return existing(folder)
    .filter((cells) => cells[0] === 'event')
    .map((cells) => ({ name: cells[5], details: cells.slice(6).join(',') }))
}
