import {
  canonicalLine,
  RangeSet,
  type Line,
  type LineHead,
  type Range,
  type SkipLine,
} from '../terms/terms.js'
import type { Entry } from './appender.js'

/** A line that waits for the disk. */
export interface WaitingLine extends Entry {
  readonly line: LineHead
  readonly skip?: SkipLine
}

/**
 * Lines between being numbered and being safe, bounded. When it is full the two oldest become a skip line under the number
 * of the first, and that grows with every line dropped after it. So a skip line always comes before the lines that got
 * through, and whatever part of a write a power cut leaves, no number is unaccounted for. A line that was let out before it
 * was safe stands under its number for good: such a one is dropped alone, and `takeLost` says so for a skip line behind it.
 */
export class WaitingLines {
  /** Lines that were given up. */
  dropped = 0
  /** Skip lines made in their place. */
  replaced = 0
  /** Lines up to this number may have left the station. */
  letOutUpTo = 0
  private waiting: WaitingLine[] = []
  private lost = new RangeSet()
  private beingWritten: readonly WaitingLine[] = []

  private readonly most: number

  constructor(most: number) {
    // A start's skip lines, the one for dropped lines, and room for what comes.
    this.most = Math.max(4, most)
  }

  get count(): number {
    return this.waiting.length + this.beingWritten.length
  }

  add(line: WaitingLine): void {
    while (this.waiting.length >= this.most) this.dropOldest()
    this.waiting.push(line)
  }

  /** All that waits, in order. Until `settle` or `giveBack` it is being written, and nothing of it is dropped. */
  take(): readonly WaitingLine[] {
    this.beingWritten = this.waiting
    this.waiting = []
    return this.beingWritten
  }

  /** The first `count` of the lines being written are safe. */
  settle(count: number): void {
    this.beingWritten = this.beingWritten.slice(count)
  }

  /** What is left of the lines being written waits again, in front of what came meanwhile. */
  giveBack(): void {
    this.waiting = this.beingWritten.concat(this.waiting)
    this.beingWritten = []
    while (this.waiting.length > this.most) this.dropOldest()
  }

  /** What waits of these numbers, in order. */
  within(from: number, to: number): WaitingLine[] {
    return [...this.beingWritten, ...this.waiting].filter(({ seq }) => seq >= from && seq <= to)
  }

  get newestSeq(): number {
    return (this.waiting.at(-1) ?? this.beingWritten.at(-1))?.seq ?? 0
  }

  /** The numbers of lines that were dropped after they had been let out, once. */
  takeLost(): readonly Range[] {
    const { lost } = this
    this.lost = new RangeSet()
    return lost.ranges()
  }

  private dropOldest(): void {
    const at = this.waiting.findIndex(({ skip }) => !skip || !isOfStart(skip))
    const [oldest, next] = this.waiting.slice(at, at + 2)
    if (oldest.seq <= this.letOutUpTo) {
      this.waiting.splice(at, 1)
      this.dropped++
      this.lost.add(oldest.seq, oldest.skip?.to ?? oldest.seq)
      return
    }
    if (!oldest.skip) this.replaced++
    this.dropped += oldest.skip ? 1 : 2
    const skip: SkipLine = {
      kind: 'skip',
      seq: oldest.seq,
      from: oldest.seq + 1,
      to: next.skip?.to ?? next.seq,
      damaged: 0,
    }
    this.waiting.splice(at, 2, { seq: skip.seq, text: canonicalLine(skip), skip, line: headOf(skip) })
  }
}

/** A start's skip line stands behind the numbers it left out, one for dropped lines before them. */
export const isOfStart = (skip: SkipLine): boolean => skip.to < skip.seq

export const headOf = (line: Line): LineHead => ({
  kind: line.kind,
  seq: line.seq,
  ...('boot' in line ? { boot: line.boot } : {}),
  ...('set' in line ? { set: line.set } : {}),
})
