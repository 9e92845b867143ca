/** Two sensors that breathe the same air are compared by the hour. */
export interface PairBounds {
  /** They agree when either bound holds. */
  readonly mostDeviationMicrograms: number
  readonly mostVariationPercent: number
  /** Minutes in which both must have measured for an hour to say anything. */
  readonly leastSeconds: number
  readonly hourSeconds: number
}

/**
 * Standard deviation at most 5 µg/m³ or coefficient of variation at most 30 %: the precision target of the US EPA's
 * performance report for PM2.5 sensors (EPA/600/R-20/280, 2021), which is meant for 24-hour means; taken by the hour it
 * is stricter, because an hour is noisier. 45 min of an hour is what a full hour needs everywhere in this program.
 */
export const usualPairBounds: PairBounds = {
  mostDeviationMicrograms: 5,
  mostVariationPercent: 30,
  leastSeconds: 2700,
  hourSeconds: 3600,
}

export interface PairHour {
  readonly means: readonly [number, number]
  /** Standard deviation of the two about their mean (divisor 1), µg/m³. */
  readonly deviationMicrograms: number
  /** The same as a share of their mean, %; 0 where both are 0. */
  readonly variationPercent: number
  readonly sharedSeconds: number
  readonly agree: boolean
}

/** Takes minutes; at the end of each hour says how well two sensors agreed over the minutes that both measured. */
export class PairAgreement {
  private seconds = 0
  private shared = 0
  private sumA = 0
  private sumB = 0

  constructor(private readonly bounds: PairBounds = usualPairBounds) {}

  /**
   * One minute of `seconds`; a mean without used seconds is not looked at.
   * @returns the hour that ended with this minute, when it has enough of both; 'too-little' when it has not.
   */
  take(
    seconds: number,
    usedA: number,
    meanA: number,
    usedB: number,
    meanB: number,
  ): PairHour | 'too-little' | undefined {
    const shared = Math.min(usedA, usedB)
    if (shared > 0) {
      this.shared += shared
      this.sumA += meanA * shared
      this.sumB += meanB * shared
    }
    this.seconds += seconds
    if (this.seconds < this.bounds.hourSeconds) return undefined
    const hour = this.shared >= this.bounds.leastSeconds ? this.hour() : 'too-little'
    this.seconds = this.shared = this.sumA = this.sumB = 0
    return hour
  }

  private hour(): PairHour {
    const means = [this.sumA / this.shared, this.sumB / this.shared] as const
    const middle = (means[0] + means[1]) / 2
    const deviation = Math.abs(means[0] - means[1]) / Math.SQRT2
    const variation = middle > 0 ? (100 * deviation) / middle : 0
    const { mostDeviationMicrograms, mostVariationPercent } = this.bounds
    return {
      means,
      deviationMicrograms: deviation,
      variationPercent: variation,
      sharedSeconds: this.shared,
      agree: deviation <= mostDeviationMicrograms || variation <= mostVariationPercent,
    }
  }
}
