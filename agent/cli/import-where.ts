/** Which rows of a log are meant, where one file holds several parameters, units or slots: `--where COLUMN=VALUE`. */
import { wrongUse, type Opened } from './desk.js'

/** Values a column had in rows that were left out; more than this many are not named. */
const mostNamed = 8
const longestValue = 40

/** Value by column, as typed. */
export function readWhere(typed: readonly string[]): Opened<ReadonlyMap<string, string>> {
  const where = new Map<string, string>()
  for (const text of typed) {
    const at = text.indexOf('=')
    if (at < 1) return wrongUse(`--where ${text}: expected COLUMN=VALUE, such as parameter=pm2_5`)
    const column = text.slice(0, at)
    if (where.has(column))
      return wrongUse(`--where ${text}: '${column}' was named before; a row has one value in a column`)
    where.set(column, text.slice(at + 1))
  }
  return { ok: true, value: where }
}

/** Rows by what stands in the columns named, and what stood there in the others. */
export class WhereFilter {
  private readonly columns: { readonly at: number; readonly value: string; readonly name: string }[]
  private readonly others = new Map<string, Set<string>>()

  constructor(where: ReadonlyMap<string, string>, at: (column: string) => number) {
    this.columns = [...where].map(([name, value]) => ({ name, value, at: at(name) }))
  }

  takes(cells: readonly string[]): boolean {
    for (const { at, value, name } of this.columns) {
      if (cells[at] === value) continue
      const met = this.others.get(name) ?? new Set()
      if (met.size < mostNamed) met.add(cells[at].slice(0, longestValue))
      this.others.set(name, met)
      return false
    }
    return true
  }

  /** For a file of which no row was meant: what stands in the columns instead. */
  hints(): string[] {
    return [...this.others].map(([name, met]) => {
      const values = [...met].map((value) => (value === '' ? '(empty)' : value))
      const more = met.size >= mostNamed ? ' …' : ''
      return `Other rows have in '${name}': ${values.join(', ')}${more}`
    })
  }
}
