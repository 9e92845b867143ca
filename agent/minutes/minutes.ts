/**
 * minutes: turns judged readings into the statistics of one record.
 *
 * In: readings of one instrument with time, exclusion and marks; the edges of the record.
 * Out: for each channel mean over used seconds, used seconds, maximum, minimum, spread, mean of all checksum-good
 * readings; seconds by exclusion and mark. Excluded seconds and used seconds add up to the record's length.
 * Assumed: times do not run backwards. A reading covers the time to the next reading, at most `coverSeconds` (3 s by
 * default); a cover that crosses the record's edge is split there. Time that no reading covers is 'no-data'.
 * A mass above the cap enters the mean as the cap ('at least'); maximum and mean of all readings keep it as it came.
 */
import {
  channelKinds,
  exclusions,
  markBit,
  marks as markNames,
  massChannels,
  type Channel,
  type Column,
  type ExclusionCode,
  type MonoSeconds,
  type Statistic,
} from '../terms/terms.js'

/** Longest time one reading may stand for (DESIGN of the record; common practice, no source). */
export const usualCoverSeconds = 3

const spike = markBit('spike')
const noData = exclusions.indexOf('no-data')

/** The columns that a record keeps of these channels, in order. */
export function columnsOf(channels: readonly Channel[]): Column[] {
  return channels.flatMap((channel) => {
    const kind = channelKinds[channel.name]
    return kind.statistics.map((statistic) => ({
      channel: channel.key,
      statistic,
      unit: statistic === 'used' ? 's' : kind.unit,
      decimals: decimalsOf(statistic, kind.decimals),
      ...(channel.scaling && statistic !== 'used' ? { scaling: channel.scaling } : {}),
      basis: statistic === 'used' ? ('measured' as const) : channel.basis,
    }))
  })
}

function decimalsOf(statistic: Statistic, ofMean: number): number {
  if (statistic === 'used') return 1
  return statistic === 'max' || statistic === 'sd' ? Math.min(ofMean, 1) : ofMean
}

export class InstrumentMinute {
  private readonly size: number
  private readonly caps: Float64Array
  private readonly sum: Float64Array
  private readonly squares: Float64Array
  private readonly shift: Float64Array
  private readonly allSum: Float64Array
  private readonly highest: Float64Array
  private readonly lowest: Float64Array
  private usedSeconds = 0
  private allSeconds = 0
  private readonly excludedSeconds = new Float64Array(exclusions.length)
  private readonly markedSeconds = new Float64Array(markNames.length)

  private readonly held: Float64Array
  private heldAt = NaN
  private heldExclusion: ExclusionCode = 0
  private heldMarks = 0
  private startAt: number

  constructor(
    private readonly channels: readonly Channel[],
    startAt: MonoSeconds,
    capMicrogramsPerM3: number,
    private readonly coverSeconds = usualCoverSeconds,
  ) {
    this.size = channels.length
    this.startAt = startAt
    this.caps = Float64Array.from(channels, (c) =>
      massChannels.includes(c.name) ? capMicrogramsPerM3 : Infinity,
    )
    this.sum = new Float64Array(this.size)
    this.squares = new Float64Array(this.size)
    this.shift = new Float64Array(this.size)
    this.allSum = new Float64Array(this.size)
    this.highest = new Float64Array(this.size)
    this.lowest = new Float64Array(this.size)
    this.held = new Float64Array(this.size)
    this.reset()
  }

  /**
   * Takes a reading. The one before it is settled now, since its cover ends here.
   * @param spikeBefore the reading before this one stood alone: mark it.
   */
  add(
    values: Float64Array,
    at: MonoSeconds,
    exclusion: ExclusionCode,
    marks: number,
    spikeBefore = false,
  ): void {
    if (spikeBefore && this.heldExclusion === 0) this.heldMarks |= spike
    this.settleHeld(at)
    // A plain loop: for a dozen values `set` takes longer than all else here.
    for (let i = 0; i < this.size; i++) this.held[i] = values[i]
    this.heldAt = at
    this.heldExclusion = exclusion
    this.heldMarks = marks
  }

  /** The sensor was lost or put to sleep: the last reading covers nothing beyond this moment. */
  interrupted(at: MonoSeconds): void {
    this.settleHeld(at)
    this.heldAt = NaN
  }

  /** The record begins anew at a later moment; nothing covers the time between. */
  skipTo(at: MonoSeconds): void {
    this.heldAt = NaN
    this.startAt = at
    this.reset()
  }

  private settleHeld(until: number): void {
    const from = this.heldAt
    if (from !== from) return
    const coverEnd = from + this.coverSeconds
    const seconds = (until < coverEnd ? until : coverEnd) - (from > this.startAt ? from : this.startAt)
    if (seconds > 0) this.weigh(seconds)
  }

  private weigh(seconds: number): void {
    const held = this.held
    this.allSeconds += seconds
    for (let i = 0; i < this.size; i++) this.allSum[i] += held[i] * seconds
    if (this.heldExclusion !== 0) {
      this.excludedSeconds[this.heldExclusion - 1] += seconds
      return
    }
    if (this.usedSeconds === 0)
      for (let i = 0; i < this.size; i++) this.shift[i] = Math.min(held[i], this.caps[i])
    this.usedSeconds += seconds
    for (let i = 0; i < this.size; i++) this.weighChannel(i, held[i], seconds)
    if (this.heldMarks !== 0) this.weighMarks(seconds)
  }

  private weighChannel(i: number, value: number, seconds: number): void {
    const capped = value > this.caps[i] ? this.caps[i] : value
    const away = capped - this.shift[i]
    this.sum[i] += away * seconds
    this.squares[i] += away * away * seconds
    if (value > this.highest[i]) this.highest[i] = value
    if (value < this.lowest[i]) this.lowest[i] = value
  }

  private weighMarks(seconds: number): void {
    for (let bits = this.heldMarks, i = 0; bits !== 0; bits >>>= 1, i++)
      if (bits & 1) this.markedSeconds[i] += seconds
  }

  /**
   * Ends the record and begins the next one at the same moment.
   * @param into receives the statistics in the order of `columnsOf`, from position `offset`; NaN where nothing counted.
   * @param plannedSeconds seconds of this record in which the sensor was meant to run; only these can be 'no-data'.
   */
  close(at: MonoSeconds, plannedSeconds: number, into: Float64Array, offset: number): MinuteSeconds {
    this.settleHeld(at)
    const gap = plannedSeconds - this.allSeconds
    if (gap > 0) this.excludedSeconds[noData] += gap
    let position = offset
    for (let i = 0; i < this.size; i++)
      for (const statistic of channelKinds[this.channels[i].name].statistics)
        into[position++] = this.statistic(i, statistic)
    const seconds = {
      used: this.usedSeconds,
      excluded: bySeconds(exclusions, this.excludedSeconds),
      marked: bySeconds(markNames, this.markedSeconds),
    }
    if (this.heldAt + this.coverSeconds <= at) this.heldAt = NaN
    this.startAt = at
    this.reset()
    return seconds
  }

  private statistic(i: number, statistic: Statistic): number {
    const used = this.usedSeconds
    if (statistic === 'used') return used
    if (statistic === 'all') return this.allSeconds > 0 ? this.allSum[i] / this.allSeconds : NaN
    if (used <= 0) return NaN
    const away = this.sum[i] / used
    if (statistic === 'mean') return this.shift[i] + away
    if (statistic === 'max') return this.highest[i]
    if (statistic === 'min') return this.lowest[i]
    return Math.sqrt(Math.max(0, this.squares[i] / used - away * away))
  }

  private reset(): void {
    this.sum.fill(0)
    this.squares.fill(0)
    this.allSum.fill(0)
    this.highest.fill(-Infinity)
    this.lowest.fill(Infinity)
    this.excludedSeconds.fill(0)
    this.markedSeconds.fill(0)
    this.usedSeconds = 0
    this.allSeconds = 0
  }
}

export interface MinuteSeconds {
  readonly used: number
  readonly excluded: Readonly<Record<string, number>>
  readonly marked: Readonly<Record<string, number>>
}

function bySeconds(names: readonly string[], seconds: Float64Array): Record<string, number> {
  const by: Record<string, number> = {}
  names.forEach((name, i) => {
    if (seconds[i] > 0) by[name] = seconds[i]
  })
  return by
}
