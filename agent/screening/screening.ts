/**
 * screening: says of each reading whether it counts, counts with a warning, or must not count, and why.
 *
 * In: one instrument's readings in the order of their times (an array of channel values, the error code of the frame,
 * the time), and what the station knows beside it (humidity outside, supply, a visit).
 * Out: for each reading one exclusion code (0 = counts) and a set of mark bits, both numbers so that the hot path makes
 * no garbage; counters by reason.
 * Assumed: times do not run backwards; the checksum was right. A right checksum is not yet a fact (two exchanged words
 * pass an additive sum), so range, order, change and settling are looked at here.
 * Refused: nothing is deleted. What is excluded still enters the minute's mean of all readings.
 *
 * The figures (60 s, 300 s, 10 %, 30 min, 10 min, 85 %, 95 % RH) are common practice, no source; each is an option.
 */
import {
  channelKinds,
  exclusionCode,
  exclusions,
  markBit,
  marks as markNames,
  massChannels,
  type Channel,
  type ExclusionCode,
  type MonoSeconds,
  type StageCounts,
} from '../terms/terms.js'
import { Settling } from './settling.js'

export { PairAgreement, usualPairBounds, type PairBounds, type PairHour } from './pair-agreement.js'
export { warmUpAfter, type Rest } from './warm-up.js'

export interface ScreeningOptions {
  /** Least warm-up after a start; readings before are never used. */
  readonly warmUpSeconds: number
  /** After so long readings count even if they never settled, marked. */
  readonly longestWarmUpSeconds: number
  /** The mark 'not settled' ends here at the latest. */
  readonly longestUnsettledSeconds: number
  /** Mass above which a value only says 'at least', µg/m³. */
  readonly capMicrogramsPerM3: number
  readonly stuckAfterSeconds: number
  readonly emptyAfterSeconds: number
  /** Outdoors there is always something to count: zero for minutes means fan or inlet. */
  readonly outdoors: boolean
  readonly humidFromPercent: number
  readonly fogFromPercent: number
}

export const usualScreening: ScreeningOptions = {
  warmUpSeconds: 60,
  longestWarmUpSeconds: 300,
  longestUnsettledSeconds: 900,
  capMicrogramsPerM3: 500,
  stuckAfterSeconds: 1800,
  emptyAfterSeconds: 600,
  outdoors: true,
  humidFromPercent: 85,
  fogFromPercent: 95,
}

/** Pairs of positions in the values array: the first must not be above the second. */
export type OrderedPairs = readonly (readonly [lower: number, higher: number])[]

/** What the station knows beside the frame. */
export interface Surroundings {
  /** Relative humidity of the outside air, %; NaN when nothing measures it. */
  humidityPercent: number
  lowSupply: boolean
  onRequest: boolean
  /** The sensor has run for longer than it is made for. */
  pastLife: boolean
  /** True during a visit and the minutes after it. */
  service: boolean
}

const warmUp = exclusionCode('warm-up')
const stuck = exclusionCode('stuck')
const sensorError = exclusionCode('sensor-error')
const impossible = exclusionCode('impossible')
const service = exclusionCode('service')
const fanOrInlet = exclusionCode('fan-or-inlet')

const overRange = markBit('over-range')
const notSettled = markBit('not-settled')
const sizesInconsistent = markBit('sizes-inconsistent')
const humid = markBit('humid')
const fog = markBit('fog')
const lowSupply = markBit('low-supply')
const onRequest = markBit('on-request')
const noParticles = markBit('no-particles')
const pastLife = markBit('past-life')

/** A spike stands alone: over three times both neighbours and 30 µg/m³ above them (common practice, no source). */
const spikeRatio = 3
const spikeAboveMicrograms = 30

export class Screen {
  /** Result of the last `judge`: 0 counts, otherwise an exclusion code. */
  exclusion: ExclusionCode = 0
  /** Result of the last `judge`: mark bits. */
  marks = 0
  /** Result of the last `judge`: the reading before it stood alone between two low ones. */
  spikeBefore = false

  readonly surroundings: Surroundings = {
    humidityPercent: NaN,
    lowSupply: false,
    onRequest: false,
    pastLife: false,
    service: false,
  }

  private readonly lowest: Float64Array
  private readonly highest: Float64Array
  private readonly massAt: number[] = []
  /** Masses and counts: what a working sensor never repeats for long. Its temperature may wander while it is stuck. */
  private readonly particlesAt: number[] = []
  private readonly leadAt: number
  private readonly smallestCountAt: number
  private readonly last: Float64Array
  private readonly settling: Settling
  private changedAt = NaN
  private countedAt = NaN
  private leadBefore = NaN
  private leadTwoBefore = NaN
  private readonly byExclusion = new Float64Array(exclusions.length + 1)
  private readonly byMark = new Float64Array(markNames.length)

  constructor(
    channels: readonly Channel[],
    private readonly order: OrderedPairs,
    private readonly options: ScreeningOptions = usualScreening,
  ) {
    this.lowest = Float64Array.from(channels, (c) => channelKinds[c.name].lowest)
    this.highest = Float64Array.from(channels, (c) => channelKinds[c.name].highest)
    channels.forEach((c, i) => {
      if (massChannels.includes(c.name)) this.massAt.push(i)
      if (massChannels.includes(c.name) || channelKinds[c.name] === channelKinds.n0_3)
        this.particlesAt.push(i)
    })
    const pm2_5 = channels.findIndex((c) => c.name === 'pm2_5')
    this.leadAt = pm2_5 >= 0 ? pm2_5 : (this.massAt[0] ?? -1)
    this.smallestCountAt = channels.findIndex((c) => c.name === 'n0_3')
    this.last = new Float64Array(channels.length).fill(NaN)
    this.settling = new Settling(options.longestWarmUpSeconds, options.longestUnsettledSeconds)
  }

  /** The sensor was powered, woken or lost and found again: its readings are warm-up from here. */
  started(at: MonoSeconds, warmUpSeconds = this.options.warmUpSeconds): void {
    this.settling.started(at, warmUpSeconds)
    this.last.fill(NaN)
    this.changedAt = at
    this.countedAt = at
    this.leadBefore = NaN
    this.leadTwoBefore = NaN
  }

  /** Seconds of warm-up that are left at a moment; undefined when it is over. */
  warmUpLeft(at: MonoSeconds): { readonly atLeast: number; readonly atMost: number } | undefined {
    return this.settling.left(at)
  }

  /** Judges one reading; the results stand in `exclusion`, `marks` and `spikeBefore` until the next call. */
  judge(values: Float64Array, errorCode: number, at: MonoSeconds): void {
    const lead = this.leadAt < 0 ? NaN : values[this.leadAt]
    this.settling.take(lead, at)
    const changed = this.noteChange(values, at)
    this.noteSpike(lead)
    this.exclusion = this.exclude(values, errorCode, at, changed)
    this.marks = this.exclusion === 0 ? this.mark(values, at) : 0
    this.count()
  }

  private noteChange(values: Float64Array, at: number): boolean {
    const { last, particlesAt } = this
    let changed = particlesAt.length === 0
    for (let n = 0; n < particlesAt.length; n++) {
      const i = particlesAt[n]
      if (values[i] !== last[i]) {
        last[i] = values[i]
        changed = true
      }
    }
    if (changed || this.changedAt !== this.changedAt) this.changedAt = at
    const empty = this.smallestCountAt >= 0 && values[this.smallestCountAt] === 0
    if (!empty || this.countedAt !== this.countedAt) this.countedAt = at
    return changed
  }

  private noteSpike(lead: number): void {
    const beside = this.leadTwoBefore > lead ? this.leadTwoBefore : lead
    const middle = this.leadBefore
    this.spikeBefore = middle > beside * spikeRatio && middle - beside > spikeAboveMicrograms
    this.leadTwoBefore = this.leadBefore
    this.leadBefore = lead
  }

  private exclude(values: Float64Array, errorCode: number, at: number, changed: boolean): ExclusionCode {
    if (this.surroundings.service) return service
    if (errorCode !== 0) return sensorError
    for (let i = 0; i < values.length; i++) {
      const value = values[i]
      if (!(value >= this.lowest[i] && value <= this.highest[i])) return impossible
    }
    if (this.settling.warmingUp) return warmUp
    if (this.options.outdoors && at - this.countedAt >= this.options.emptyAfterSeconds) return fanOrInlet
    if (!changed && at - this.changedAt >= this.options.stuckAfterSeconds) return stuck
    return 0
  }

  private mark(values: Float64Array, at: number): number {
    let marks = this.settling.unsettledAt(at) ? notSettled : 0
    const cap = this.options.capMicrogramsPerM3
    for (const i of this.massAt) if (values[i] > cap) marks |= overRange
    for (const [lower, higher] of this.order)
      if (values[lower] > values[higher]) {
        marks |= sizesInconsistent
        break
      }
    const around = this.surroundings
    if (around.humidityPercent >= this.options.fogFromPercent) marks |= fog
    else if (around.humidityPercent >= this.options.humidFromPercent) marks |= humid
    if (around.lowSupply) marks |= lowSupply
    if (around.onRequest) marks |= onRequest
    if (around.pastLife) marks |= pastLife
    // Not yet long enough to exclude, but nobody should take it for clean air unseen.
    if (this.options.outdoors && at > this.countedAt) marks |= noParticles
    return marks
  }

  private count(): void {
    this.byExclusion[this.exclusion]++
    for (let bits = this.marks, i = 0; bits !== 0; bits >>>= 1, i++) if (bits & 1) this.byMark[i]++
    if (this.spikeBefore) this.byMark[0]++
  }

  /** Readings taken, given on (counting ones) and refused by reason. */
  counts(): StageCounts {
    const refused: Record<string, number> = {}
    exclusions.forEach((reason, i) => {
      if (this.byExclusion[i + 1] > 0) refused[reason] = this.byExclusion[i + 1]
    })
    const taken = this.byExclusion.reduce((sum, n) => sum + n, 0)
    return { taken, given: this.byExclusion[0], held: 0, refused }
  }

  /** Readings that counted with a warning, by mark. */
  markCounts(): Readonly<Record<string, number>> {
    return Object.fromEntries(markNames.map((mark, i) => [mark, this.byMark[i]]).filter(([, n]) => n !== 0))
  }
}
