import { RangeSet, type MonoSeconds, type Range, type StageCounts } from '../terms/terms.js'
import type { Receipt } from './receipt.js'

export interface LedgerOptions {
  readonly mostPackLines: number
  readonly receipts: 'required' | 'none'
  /** A line that was sent and is not in a receipt after this time is sent again; doubled each time no receipt came at all. */
  readonly resendAfterSeconds: number
}

/** What is kept over a restart. Without it everything goes again that no receipt names: doubles, no loss. */
export interface LedgerState {
  readonly v: 1
  readonly storeId: string
  readonly sent: readonly Range[]
  readonly away: readonly Range[]
  readonly parked: readonly Range[]
}

const mostSavedRanges = 512
const longestResendSeconds = 86_400
/** Packs whose receipt is awaited; of more the oldest count as unsent. */
const mostAwaited = 4096

/** Why numbers are left alone although they are not away. */
export type Aside = 'parked' | 'unbuildable' | 'no-line'

/**
 * Where every line number stands: safe here, in flight, in doubt (it goes alone), sent, safe away, or set aside. The store's numbers from 1 to the
 * newest safe one are each in exactly one of these; what is in none is a gap, and gaps are what is sent.
 */
export class Ledger {
  private readonly flying = new RangeSet()
  private readonly doubtful = new RangeSet()
  private readonly sent = new RangeSet()
  private away = new RangeSet()
  private readonly aside: Record<Aside, RangeSet> = {
    parked: new RangeSet(),
    unbuildable: new RangeSet(),
    'no-line': new RangeSet(),
  }
  /** All of the above: the complement is to be sent. */
  private covered = new RangeSet()
  private awaited: { readonly from: number; readonly to: number; readonly at: MonoSeconds }[] = []
  private safe = 0
  private storeKnown = false
  private earlyReceipt: Receipt | undefined
  /** Gaps up to here may be sent; younger lines wait for the next pack. */
  private mark = 0
  /** Up to here the present had its turn to go first. */
  private newestMark = 0
  private quietRounds = 0
  private lastContiguous = 0

  constructor(
    private readonly storeId: string,
    private readonly options: LedgerOptions,
  ) {}

  /**
   * Lines up to here are on disk. What state or receipt claim beyond the first answer of the store is not believed: a
   * store that was put back to an older copy gives those numbers again, and the collector must see that.
   */
  safeUpTo(seq: number): void {
    this.safe = Math.max(this.safe, seq)
    if (this.storeKnown) return
    this.storeKnown = true
    for (const set of [this.sent, this.away, this.aside.parked, this.covered])
      set.remove(this.safe + 1, Number.MAX_SAFE_INTEGER)
    if (this.earlyReceipt) this.receipt(this.earlyReceipt)
    this.earlyReceipt = undefined
  }

  /** Everything safe may go from now on, the newest pack of it before the rest. */
  markPresent(): void {
    this.mark = this.safe
  }

  /**
   * Numbers to send next: once the newest of the present, then the oldest; takes them into flight.
   * @param mayOld false: what is old stays where it is
   */
  takeOff(mayOld = true): { range: Range; newestFirst: boolean } | undefined {
    const newestFirst = this.newestMark < this.mark
    if (!newestFirst && !mayOld) return undefined
    const range = newestFirst ? this.newestGap() : this.oldestGap()
    this.newestMark = this.mark
    if (!range) return newestFirst ? this.takeOff(mayOld) : undefined
    this.flying.add(...range)
    this.covered.add(...range)
    return { range, newestFirst }
  }

  get hasGaps(): boolean {
    return this.oldestGap() !== undefined
  }

  private oldestGap(): Range | undefined {
    const from = this.covered.contiguousFrom(1) + 1
    if (from > this.mark) return undefined
    return this.covered.gaps(from, Math.min(this.mark, from + this.options.mostPackLines - 1))[0]
  }

  private newestGap(): Range | undefined {
    const from = Math.max(1, this.newestMark + 1, this.mark - this.options.mostPackLines + 1)
    return this.covered.gaps(from, this.mark).at(-1)
  }

  /** Not sent after all: a gap again. */
  release(from: number, to: number): void {
    this.flying.remove(from, to)
    this.cover(from, to)
  }

  /** Acknowledged. Numbers of the stretch that have no line, or whose receipt was quicker, stay as they are. */
  landed(from: number, to: number, now: MonoSeconds): void {
    for (const range of this.leave(from, to))
      if (this.options.receipts === 'none') this.confirm(...range)
      else this.await(range, now)
  }

  /** What is in flight of a stretch, taken out of flight. */
  private leave(from: number, to: number): Range[] {
    const left: Range[] = []
    for (const [start, end] of this.flying.ranges())
      if (start <= to && end >= from) left.push([Math.max(start, from), Math.min(end, to)])
    this.flying.remove(from, to)
    return left
  }

  private await([from, to]: Range, now: MonoSeconds): void {
    this.sent.add(from, to)
    this.covered.add(from, to)
    this.awaited.push({ from, to, at: now })
    if (this.awaited.length > mostAwaited) this.forget(this.awaited.shift()!)
  }

  setAside(from: number, to: number, why: Aside): void {
    for (const range of this.leave(from, to)) this.aside[why].add(...range)
  }

  /** Out of flight: it is found out in a way of its own whether these can go. */
  doubt(from: number, to: number): void {
    for (const range of this.leave(from, to)) this.doubtful.add(...range)
  }

  /** Takes a doubtful stretch into flight. False: a receipt named some of it meanwhile, and the rest is a gap again. */
  takeOffDoubtful(from: number, to: number): boolean {
    const whole = this.doubtful.gaps(from, to).length === 0
    this.doubtful.remove(from, to)
    if (whole) this.flying.add(from, to)
    else this.cover(from, to)
    return whole
  }

  /** Nothing is wrong with these after all. */
  trust(from: number, to: number): void {
    this.doubtful.remove(from, to)
    this.cover(from, to)
  }

  get parked(): readonly Range[] {
    return this.aside.parked.ranges()
  }

  /** Somebody asks for the parked lines again: they are gaps. */
  unpark(): void {
    for (const [from, to] of this.aside.parked.toJSON()) {
      this.aside.parked.remove(from, to)
      this.cover(from, to)
    }
  }

  /** Whether the far end has every line of a stretch; numbers that no line has are not waited for. */
  isAway(from: number, to: number): boolean {
    const noLine = this.aside['no-line']
    return this.away.gaps(from, to).every(([first, last]) => noLine.gaps(first, last).length === 0)
  }

  /** The collector's word. Numbers below what it once confirmed mean that it lost its disk: they go again. */
  receipt(receipt: Receipt): void {
    if (!this.storeKnown) {
      this.earlyReceipt = receipt
      return
    }
    const before = this.away.count
    const lost = receipt.contiguous < this.lastContiguous ? this.away.toJSON() : []
    if (lost.length > 0) this.away = new RangeSet()
    const told = RangeSet.from([[1, receipt.contiguous], ...receipt.ranges])
    for (const [from, to] of told.ranges()) this.confirm(from, Math.min(to, this.safe))
    for (const range of lost) this.cover(...range)
    this.lastContiguous = receipt.contiguous
    if (this.away.count !== before) this.quietRounds = 0
    this.awaited = this.awaited.filter(({ from, to }) => this.away.gaps(from, to).length > 0)
  }

  private confirm(from: number, to: number): void {
    this.away.add(from, to)
    this.covered.add(from, to)
    for (const set of [this.flying, this.doubtful, this.sent, ...Object.values(this.aside)])
      set.remove(from, to)
  }

  /** Makes gaps again of what waited too long for a receipt. True when there was any. */
  resendOverdue(now: MonoSeconds): boolean {
    const limit = Math.min(longestResendSeconds, this.options.resendAfterSeconds * 2 ** this.quietRounds)
    const late = this.awaited.filter(({ at }) => now - at >= limit)
    if (late.length > 0) this.quietRounds = Math.min(this.quietRounds + 1, 16)
    this.awaited = this.awaited.filter(({ at }) => now - at < limit)
    for (const one of late) this.forget(one)
    return late.length > 0
  }

  /** Somebody asks for lines again: what is not on its way is a gap. */
  again(from: number, to: number): void {
    for (const set of [this.sent, this.away]) set.remove(from, Math.min(to, this.safe))
    this.cover(from, Math.min(to, this.safe))
  }

  private forget({ from, to }: { from: number; to: number }): void {
    this.sent.remove(from, to)
    this.cover(from, to)
  }

  /** Recomputes coverage of a stretch after something was taken out of one set. */
  private cover(from: number, to: number): void {
    this.covered.remove(from, to)
    for (const set of [this.flying, this.doubtful, this.sent, this.away, ...Object.values(this.aside)])
      for (const [start, end] of set.ranges())
        if (start <= to && end >= from) this.covered.add(Math.max(start, from), Math.min(end, to))
  }

  /** Lines: taken = safe here; given = safe away; refused = set aside; held = sent, in flight and waiting. */
  counts(): StageCounts {
    const refused = Object.fromEntries(Object.entries(this.aside).map(([why, set]) => [why, set.count]))
    const held = this.sent.count + this.flying.count + this.doubtful.count + missing(this.covered, this.safe)
    return { taken: this.safe, given: this.away.count, held, refused }
  }

  standing(): {
    safe: number
    sent: number
    away: number
    backlog: number
    awaitedSince: MonoSeconds | undefined
  } {
    return {
      safe: this.safe,
      sent: this.sent.count,
      away: this.away.contiguousFrom(1),
      backlog: missing(this.covered, this.safe) + this.doubtful.count,
      awaitedSince: this.awaited[0]?.at,
    }
  }

  save(): LedgerState {
    const newest = (set: RangeSet): Range[] => set.toJSON().slice(-mostSavedRanges)
    return {
      v: 1,
      storeId: this.storeId,
      sent: newest(this.sent),
      away: this.away.toJSON().slice(0, mostSavedRanges),
      parked: newest(this.aside.parked),
    }
  }

  /** Takes what `save` gave; anything else, or of another store, counts as nothing. */
  restore(state: unknown, now: MonoSeconds): void {
    const { v, storeId, sent, away, parked } = (
      typeof state === 'object' && state !== null ? state : {}
    ) as Partial<LedgerState>
    if (v !== 1 || storeId !== this.storeId) return
    for (const [from, to] of RangeSet.parse(away, mostSavedRanges)?.ranges() ?? []) this.confirm(from, to)
    for (const [from, to] of RangeSet.parse(sent, mostSavedRanges)?.ranges() ?? [])
      for (const gap of this.covered.gaps(from, to)) this.await(gap, now)
    for (const [from, to] of RangeSet.parse(parked ?? [], mostSavedRanges)?.ranges() ?? [])
      for (const gap of this.covered.gaps(from, to)) {
        this.aside.parked.add(...gap)
        this.covered.add(...gap)
      }
  }
}

const missing = (set: RangeSet, upTo: number): number =>
  set.gaps(1, upTo).reduce((sum, [from, to]) => sum + to - from + 1, 0)
