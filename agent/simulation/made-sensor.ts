import { bad, done, good, type ByteLine, type Clock, type LineFactory, type Outcome } from '../terms/terms.js'
import type { Encoder, SensorSight } from './frames.js'
import { hashNormal, hashUniform } from './noise.js'
import type { MadeSpan } from './made-quarry.js'

export interface SensorPlan {
  /** For people, in place of a port. */
  readonly name: string
  readonly seed: number
  readonly encoder: Encoder
  /** What air there is at its inlet. */
  readonly sees: (siteSeconds: number) => SensorSight
  readonly poweredFrom: number
  /** Frames spoilt on the way at all times, 0 to 1, and more while something is wrong with the cable. */
  readonly spoiltShare: number
  readonly badCable: readonly (MadeSpan & { readonly share: number })[]
  /** The adapter is not there. */
  readonly unplugged: readonly MadeSpan[]
}

const mostReadingsAtOnce = 60
const noiseShare = 0.06
/** Dust and air left in the sensor: what it shows after power-on is half as much again, dying away. */
const leftoverShare = 0.5
const leftoverSeconds = 15

/**
 * An invented sensor that sends one reading a second of site time. Each second's bytes, spoilt or whole, are a pure
 * function of that second: whoever asks `bytesAt` gets what the line gave.
 */
export class MadeSensor implements LineFactory {
  readonly name: string
  readingsMade = 0
  readingsSpoilt = 0
  private readonly bytes: Uint8Array

  /** @param siteTime of a monotonic time of the clock */
  constructor(
    private readonly clock: Clock,
    private readonly siteTime: (mono: number) => number,
    private readonly plan: SensorPlan,
  ) {
    this.name = plan.name
    this.bytes = new Uint8Array(plan.encoder.mostBytes * mostReadingsAtOnce)
  }

  open(): Promise<Outcome<ByteLine>> {
    if (this.isUnplugged()) return Promise.resolve(bad('port-missing', this.name))
    let sentUntil = this.now()
    let closed = false
    const line: ByteLine = {
      readAvailable: () => {
        if (closed || this.isUnplugged()) return 'gone'
        const from = Math.max(sentUntil, this.now() - mostReadingsAtOnce)
        sentUntil = this.now()
        return this.send(from, sentUntil)
      },
      write: () => Promise.resolve(done),
      close: () => {
        closed = true
        return Promise.resolve()
      },
    }
    return Promise.resolve(good(line))
  }

  private now(): number {
    return Math.floor(this.siteTime(this.clock.mono()))
  }

  private isUnplugged(): boolean {
    const now = this.now()
    return this.plan.unplugged.some(({ from, to }) => now >= from && now < to)
  }

  private send(after: number, until: number): Uint8Array | 'nothing' {
    let length = 0
    for (let second = after + 1; second <= until; second++) {
      this.readingsMade++
      if (isSpoilt(this.plan, second)) this.readingsSpoilt++
      length += writeSecond(this.plan, second, this.bytes, length)
    }
    return length > 0 ? this.bytes.subarray(0, length) : 'nothing'
  }
}

/** The bytes of one second as they come out of the line. */
export function bytesAt(plan: SensorPlan, second: number): Uint8Array {
  const bytes = new Uint8Array(plan.encoder.mostBytes)
  return bytes.subarray(0, writeSecond(plan, second, bytes, 0))
}

export function isSpoilt(plan: SensorPlan, second: number): boolean {
  const bad = plan.badCable.find(({ from, to }) => second >= from && second < to)
  return hashUniform(plan.seed + 41, second) < (bad?.share ?? plan.spoiltShare)
}

/** What the sensor shows: the air, its noise, and at first what was left in it. */
export function shownAt(plan: SensorPlan, second: number): SensorSight {
  const sight = plan.sees(second)
  const onFor = Math.max(0, second - plan.poweredFrom)
  const leftover = leftoverShare * Math.exp(-onFor / leftoverSeconds)
  const fine = (1 + noiseShare * hashNormal(plan.seed + 42, second)) * (1 + leftover)
  const coarse = (1 + 2 * noiseShare * hashNormal(plan.seed + 43, second)) * (1 + leftover)
  const pm2_5 = sight.pm2_5 * fine
  const more = Math.max(0, sight.pm10 - sight.pm2_5) * coarse
  return { ...sight, pm1: sight.pm1 * fine, pm2_5, pm10: pm2_5 + more }
}

function writeSecond(plan: SensorPlan, second: number, into: Uint8Array, offset: number): number {
  const length = plan.encoder.write(into, offset, shownAt(plan, second))
  return isSpoilt(plan, second) ? spoil(plan, second, into, offset, length) : length
}

/** Spoilt readings lose their end, or have a bit turned over where a checksum can show it. */
function spoil(plan: SensorPlan, second: number, into: Uint8Array, offset: number, length: number): number {
  const chance = (n: number): number => hashUniform(plan.seed + 44, second * 4 + n)
  if (chance(0) < 0.5 || !plan.encoder.hasChecksum) return Math.max(1, Math.floor(length * chance(1)))
  into[offset + Math.floor(chance(1) * length)] ^= 1 << Math.floor(chance(2) * 8)
  return length
}
