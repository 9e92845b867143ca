/** Sums over blocks of time of equal length, from pieces in any order: what hours, days and 10-min means are made of. */
import type { LocalDay } from '../terms/terms.js'

/** Milliseconds of local standard time: UTC plus one fixed offset, so that every day has 24 hours. */
export type StandardMillis = number

/** A record, or a part of one, of one channel. */
export interface Piece {
  readonly from: StandardMillis
  readonly seconds: number
  readonly plannedSeconds: number
  readonly usedSeconds: number
  /** NaN when nothing was used. */
  readonly mean: number
  /** A warning holds for some of it. */
  readonly marked: boolean
  /** A part of it was over range. */
  readonly over: boolean
}

/** What is known of one block. */
export interface Block {
  readonly recordedSeconds: number
  readonly plannedSeconds: number
  readonly usedSeconds: number
  /** Mean times used seconds. */
  readonly sum: number
  /** The same of pieces without a mark. */
  readonly unmarkedSeconds: number
  readonly unmarkedSum: number
  readonly over: boolean
}

const fields = ['recorded', 'planned', 'used', 'sum', 'unmarked', 'unmarkedSum', 'over'] as const
const width = fields.length
const dayMillis = 86_400_000

/**
 * Sums by block; a piece that straddles an edge is split by time, as if it were alike all along. Holds seven numbers a
 * block, in pages of a day: a year of quarter-hours of one channel is 2 MB.
 */
export class BlockSums {
  private readonly pages = new Map<number, Float64Array>()
  private readonly blockMillis: number
  private readonly perDay: number
  /** The day that was added to last: nearly always the next piece's too. */
  private newestDay = NaN
  private newestPage: Float64Array = new Float64Array(0)

  /** @param blockSeconds a divisor of the day */
  constructor(readonly blockSeconds: number) {
    this.blockMillis = blockSeconds * 1000
    this.perDay = dayMillis / this.blockMillis
  }

  add(piece: Piece): void {
    const end = piece.from + piece.seconds * 1000
    let at = piece.from
    while (at < end) {
      const block = Math.floor(at / this.blockMillis)
      // Nearly every record lies in one block.
      if (at === piece.from && end <= (block + 1) * this.blockMillis) return this.addTo(block, piece, 1)
      const next = Math.min(end, (block + 1) * this.blockMillis)
      this.addTo(block, piece, (next - at) / (end - piece.from))
      at = next
    }
  }

  private addTo(block: number, piece: Piece, share: number): void {
    const day = Math.floor(block / this.perDay)
    const page = day === this.newestDay ? this.newestPage : this.page(day)
    const at = (block - day * this.perDay) * width
    page[at] += piece.seconds * share
    page[at + 1] += piece.plannedSeconds * share
    // Used and not planned: sampled on request, for alerts only.
    if (!(piece.usedSeconds > 0) || piece.plannedSeconds === 0 || Number.isNaN(piece.mean)) return
    const used = piece.usedSeconds * share
    page[at + 2] += used
    page[at + 3] += used * piece.mean
    if (!piece.marked) {
      page[at + 4] += used
      page[at + 5] += used * piece.mean
    }
    if (piece.over) page[at + 6] = 1
  }

  private page(day: number): Float64Array {
    let page = this.pages.get(day)
    if (!page) this.pages.set(day, (page = new Float64Array(this.perDay * width)))
    this.newestDay = day
    this.newestPage = page
    return page
  }

  /** The days that hold anything, by number since 1970, in order. */
  days(): number[] {
    return [...this.pages.keys()].sort((a, b) => a - b)
  }

  /** The block that holds a moment. */
  at(millis: StandardMillis): Block {
    const block = Math.floor(millis / this.blockMillis)
    const day = Math.floor(block / this.perDay)
    const page = this.pages.get(day)
    const at = (block - day * this.perDay) * width
    return {
      recordedSeconds: page?.[at] ?? 0,
      plannedSeconds: page?.[at + 1] ?? 0,
      usedSeconds: page?.[at + 2] ?? 0,
      sum: page?.[at + 3] ?? 0,
      unmarkedSeconds: page?.[at + 4] ?? 0,
      unmarkedSum: page?.[at + 5] ?? 0,
      over: page?.[at + 6] === 1,
    }
  }
}

export const startOfDay = (day: number): StandardMillis => day * dayMillis

export const dayText = (day: number): LocalDay =>
  new Date(startOfDay(day)).toISOString().slice(0, 10) as LocalDay
