/** Whether rows whose check fits are such as this program writes, and of which kinds they are. */
import { parseLine, type ColumnSet } from '../terms/terms.js'
import type { Place } from './verify-rows.js'

interface Doubt extends Place {
  readonly seq: number
  /** Of a record whose columns were not known when it came. */
  readonly set?: string
}

const mostDoubts = 5000

export class RowSense {
  readonly byKind: Record<string, number> = {}
  private readonly doubts: Doubt[] = []

  /** @param sets columns known so far; a later file may bring more */
  constructor(private readonly sets: ReadonlyMap<string, ColumnSet>) {}

  take({ file, lineNumber }: Place, seq: number, text: string): void {
    const kind = text.slice(0, text.indexOf(','))
    this.byKind[kind] = (this.byKind[kind] ?? 0) + 1
    if (parseLine(text, this.sets) || this.doubts.length >= mostDoubts) return
    const set = kind === 'record' ? text.split(',', 3)[2] : undefined
    const unknown = set !== undefined && !this.sets.has(set)
    this.doubts.push({ file, lineNumber, seq, ...(unknown ? { set } : {}) })
  }

  finish(problem: (kind: 'strange', place: Place, words: string, seq: number) => void): void {
    for (const { set, seq, ...place } of this.doubts)
      if (set === undefined)
        problem(
          'strange',
          place,
          `the check of number ${seq} fits, but the row is not as this program writes it`,
          seq,
        )
      else if (!this.sets.has(set))
        problem('strange', place, `no columns row says what the values of number ${seq} are`, seq)
  }
}
