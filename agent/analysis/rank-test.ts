/**
 * Whether two groups differ, by ranks: Mann and Whitney 1947, with the shift of Hodges and Lehmann 1963. Both assume values
 * that do not depend on each other: use daily means at least.
 */
import { medianOf } from './spread.js'

export interface RankTest {
  /** Pairs in which the value before is larger, half for equal ones; before + after = all pairs. */
  readonly uBefore: number
  readonly uAfter: number
  /** Two-sided. */
  readonly p: number
  readonly method: 'exact' | 'normal'
  /** Median of all differences after - before. */
  readonly shift: number
}

/** Exact counting is used below this many in each group and without equal values, as is usual. */
const exactBelow = 50

/** Undefined where a group is empty. */
export function rankTest(before: readonly number[], after: readonly number[]): RankTest | undefined {
  if (before.length === 0 || after.length === 0) return undefined
  const { rankSum, tied } = ranksOf(before, after)
  const uBefore = rankSum - (before.length * (before.length + 1)) / 2
  const uAfter = before.length * after.length - uBefore
  const isExact = tied === 0 && before.length < exactBelow && after.length < exactBelow
  return {
    uBefore,
    uAfter,
    p: isExact
      ? exactP(uBefore, before.length, after.length)
      : normalP(uBefore, before.length, after.length, tied),
    method: isExact ? 'exact' : 'normal',
    shift: shiftOf(before, after),
  }
}

/** Median of all differences after - before (Hodges and Lehmann). NaN where a group is empty. */
export const shiftOf = (before: readonly number[], after: readonly number[]): number =>
  medianOf(after.flatMap((late) => before.map((early) => late - early)))

/** Sum of the mid-ranks of `before` among all, and the tie term: sum of t³ - t over groups of t equal values. */
function ranksOf(before: readonly number[], after: readonly number[]): { rankSum: number; tied: number } {
  const all = [...before.map((value) => [value, 1]), ...after.map((value) => [value, 0])]
  all.sort((a, b) => a[0] - b[0])
  let rankSum = 0
  let tied = 0
  for (let from = 0; from < all.length;) {
    let to = from
    while (to < all.length && all[to][0] === all[from][0]) to++
    const middle = (from + 1 + to) / 2
    for (let i = from; i < to; i++) rankSum += all[i][1] * middle
    tied += (to - from) ** 3 - (to - from)
    from = to
  }
  return { rankSum, tied }
}

function exactP(u: number, n: number, m: number): number {
  const ways = waysOf(n, m)
  const total = ways.reduce((sum, count) => sum + count, 0)
  const lower = ways.slice(0, Math.min(u, n * m - u) + 1).reduce((sum, count) => sum + count, 0)
  return Math.min(1, (2 * lower) / total)
}

/** In how many orders of n and m values each U from 0 to n x m comes out: choose n of the ranks 1 to n + m by their sum. */
function waysOf(n: number, m: number): Float64Array {
  const most = n * m
  const byChosen = Array.from({ length: n + 1 }, () => new Float64Array(most + 1))
  byChosen[0][0] = 1
  for (let rank = 1; rank <= n + m; rank++)
    for (let chosen = Math.min(n, rank); chosen >= 1; chosen--) {
      // The k-th chosen value adds its rank less k to U: what stands below it and was not chosen.
      const adds = rank - chosen
      if (adds > m) continue
      const [from, to] = [byChosen[chosen - 1], byChosen[chosen]]
      for (let u = most; u >= adds; u--) to[u] += from[u - adds]
    }
  return byChosen[n]
}

/** Normal approximation with correction for ties and for continuity. */
function normalP(u: number, n: number, m: number, tied: number): number {
  const all = n + m
  const variance = ((n * m) / 12) * (all + 1 - tied / (all * (all - 1)))
  if (!(variance > 0)) return 1
  const z = Math.max(0, Math.abs(u - (n * m) / 2) - 0.5) / Math.sqrt(variance)
  return Math.min(1, complementaryError(z / Math.SQRT2))
}

/** 1 - erf(x) for x >= 0, to about 14 digits: a series of rising terms, far out a continued fraction. */
export function complementaryError(x: number): number {
  const bell = Math.exp(-x * x) / Math.sqrt(Math.PI)
  if (x > 3) {
    let fraction = x
    for (let k = 60; k >= 1; k--) fraction = x + k / 2 / fraction
    return bell / fraction
  }
  let term = 2 * x
  let sum = term
  for (let k = 1; term > sum * 1e-17; k++) sum += term *= (2 * x * x) / (2 * k + 1)
  return 1 - bell * sum
}
