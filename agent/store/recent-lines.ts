import type { LineHead } from '../terms/terms.js'

/** A line's canonical text and what must be known of it to carry it about. */
export interface StoredText {
  readonly line: LineHead
  readonly text: string
}

/**
 * The newest safe lines of this run, bounded: most packs are made of them, and reading, checking and parsing them again
 * costs more than everything else a pack needs.
 */
export class RecentLines {
  private readonly lines: StoredText[] = []

  constructor(private readonly most: number) {}

  add(line: StoredText): void {
    this.lines.push(line)
    if (this.lines.length > 2 * this.most) this.lines.splice(0, this.lines.length - this.most)
  }

  /** The lines whose numbers are within from and to; undefined where older ones than these may be among them. */
  within(from: number, to: number): StoredText[] | undefined {
    if (this.lines.length === 0 || from < this.lines[0].line.seq) return undefined
    return this.lines.filter(({ line }) => line.seq >= from && line.seq <= to)
  }
}
