import type { MonoSeconds } from '../terms/terms.js'

const binSeconds = 10
const mostBins = 5
/** Settled when five 10-s means (fewer after a short warm-up) lie within the larger of 2 µg/m³ and 10 % (common practice, no source). */
const withinMicrograms = 2
const withinShare = 0.1

/**
 * Warm-up as a least time plus settling: excluded until both are over; after the longest warm-up readings count even
 * unsettled, marked, because air that changes all the time would otherwise never be measured.
 */
export class Settling {
  warmingUp = true
  private startedAt = NaN
  private leastSeconds = 0
  private settled = false
  private binEnd = NaN
  private binSum = 0
  private binCount = 0
  private readonly means = new Float64Array(mostBins)
  private binsCompared = mostBins
  private bins = 0

  constructor(
    private readonly longestWarmUpSeconds: number,
    private readonly longestUnsettledSeconds: number,
  ) {}

  started(at: MonoSeconds, leastSeconds: number): void {
    this.startedAt = at
    this.leastSeconds = leastSeconds
    this.warmingUp = leastSeconds > 0
    this.settled = leastSeconds <= 0
    this.binsCompared = Math.max(2, Math.min(mostBins, Math.floor(leastSeconds / binSeconds)))
    this.bins = 0
    this.openBin(at + binSeconds)
  }

  /** Seconds of warm-up left: at least, and at most if the readings never get level; undefined when it is over. */
  left(at: number): { readonly atLeast: number; readonly atMost: number } | undefined {
    if (!this.warmingUp) return undefined
    const age = at - this.startedAt
    const atLeast = Math.max(0, this.leastSeconds - age)
    return { atLeast, atMost: Math.max(atLeast, this.longestWarmUpSeconds - age) }
  }

  unsettledAt(at: number): boolean {
    return !this.settled && at - this.startedAt < this.longestUnsettledSeconds
  }

  /** @param lead the leading mass, µg/m³; NaN where the instrument has none (then time alone decides). */
  take(lead: number, at: MonoSeconds): void {
    if (this.settled) return
    if (this.startedAt !== this.startedAt) this.started(at, this.leastSeconds)
    if (lead !== lead) this.settled = at - this.startedAt >= this.leastSeconds
    else this.takeLead(lead, at)
    const age = at - this.startedAt
    if (age >= this.leastSeconds && (this.settled || age >= this.longestWarmUpSeconds)) this.warmingUp = false
  }

  private takeLead(lead: number, at: number): void {
    while (at >= this.binEnd) this.closeBin()
    this.binSum += lead
    this.binCount++
    if (at - this.startedAt >= this.leastSeconds && this.bins >= this.binsCompared)
      this.settled = this.isLevel()
  }

  private closeBin(): void {
    if (this.binCount > 0) this.means[this.bins++ % this.binsCompared] = this.binSum / this.binCount
    else this.bins = 0
    this.openBin(this.binEnd + binSeconds)
  }

  private openBin(end: number): void {
    this.binEnd = end
    this.binSum = 0
    this.binCount = 0
  }

  private isLevel(): boolean {
    let low = Infinity
    let high = -Infinity
    let sum = 0
    for (let i = 0; i < this.binsCompared; i++) {
      const mean = this.means[i]
      low = Math.min(low, mean)
      high = Math.max(high, mean)
      sum += mean
    }
    return high - low <= Math.max(withinMicrograms, (withinShare * sum) / this.binsCompared)
  }
}
