/**
 * A set of whole numbers kept as sorted, disjoint, inclusive ranges: which lines are on disk, sent, safe away.
 * Adding at the end, the usual case, costs nothing; anything else is a binary search.
 */

export type Range = readonly [from: number, to: number]

export class RangeSet {
  private readonly pairs: [number, number][] = []

  static from(pairs: Iterable<Range>): RangeSet {
    const set = new RangeSet()
    for (const [from, to] of pairs) set.add(from, to)
    return set
  }

  /**
   * Reads what `toJSON` gave, from a file or the wire; undefined unless it is at most `mostRanges` pairs of safe whole
   * numbers that are 0 or more, each pair in order.
   */
  static parse(value: unknown, mostRanges: number): RangeSet | undefined {
    if (!Array.isArray(value) || value.length > mostRanges || !value.every(isPair)) return undefined
    return RangeSet.from(value)
  }

  /** All numbers from `from` to `to`, both included; nothing when `to` is below `from`. */
  add(from: number, to: number = from): void {
    if (!(from <= to)) return
    const last = this.pairs[this.pairs.length - 1]
    if (!last || from > last[1] + 1) this.pairs.push([from, to])
    else if (from >= last[0]) last[1] = Math.max(last[1], to)
    else this.merge(from, to)
  }

  has(n: number): boolean {
    const pair = this.pairs[this.firstEndingAt(n)]
    return pair !== undefined && pair[0] <= n
  }

  remove(from: number, to: number = from): void {
    const first = this.firstEndingAt(from)
    const left: [number, number][] = []
    let after = first
    for (; after < this.pairs.length && this.pairs[after][0] <= to; after++) {
      const [start, end] = this.pairs[after]
      if (start < from) left.push([start, from - 1])
      if (end > to) left.push([to + 1, end])
    }
    this.pairs.splice(first, after - first, ...left)
  }

  /** What is missing of `from` to `to`, in order. */
  gaps(from: number, to: number): [number, number][] {
    const missing: [number, number][] = []
    let next = from
    for (let i = this.firstEndingAt(from); i < this.pairs.length && this.pairs[i][0] <= to; i++) {
      if (this.pairs[i][0] > next) missing.push([next, this.pairs[i][0] - 1])
      next = this.pairs[i][1] + 1
    }
    if (next <= to) missing.push([next, to])
    return missing
  }

  /** The highest m with all of n to m in the set; n - 1 when n itself is not. */
  contiguousFrom(n: number): number {
    const pair = this.pairs[this.firstEndingAt(n)]
    return pair !== undefined && pair[0] <= n ? pair[1] : n - 1
  }

  ranges(): readonly Range[] {
    return this.pairs
  }

  /** How many numbers are in the set. */
  get count(): number {
    return this.pairs.reduce((sum, [from, to]) => sum + to - from + 1, 0)
  }

  toJSON(): Range[] {
    return this.pairs.map(([from, to]) => [from, to])
  }

  /** Index of the first range that ends at n or later. */
  private firstEndingAt(n: number): number {
    let low = 0
    let high = this.pairs.length
    while (low < high) {
      const middle = (low + high) >> 1
      if (this.pairs[middle][1] < n) low = middle + 1
      else high = middle
    }
    return low
  }

  private merge(from: number, to: number): void {
    const first = this.firstEndingAt(from - 1)
    let after = first
    while (after < this.pairs.length && this.pairs[after][0] <= to + 1) after++
    const low = after > first ? Math.min(from, this.pairs[first][0]) : from
    const high = after > first ? Math.max(to, this.pairs[after - 1][1]) : to
    this.pairs.splice(first, after - first, [low, high])
  }
}

const isPair = (value: unknown): value is Range =>
  Array.isArray(value) &&
  value.length === 2 &&
  value.every((n) => Number.isSafeInteger(n) && n >= 0) &&
  value[0] <= value[1]
