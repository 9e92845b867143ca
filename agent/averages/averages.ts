/**
 * averages: means over the last minutes, hour and day, from minute records.
 *
 * In: one summary per record and channel: when it began, how long it was, how much of it was planned and used, its mean.
 * Out: for a window ending now, the mean weighted by used seconds, with data capture (used / planned) and sampled share
 * (used / whole window), always together.
 * Assumed: records come in the order of monotonic time; window lengths are monotonic time, so a step of the wall clock
 * changes no average. Records of an earlier boot enter with the monotonic time they would have had.
 * Refused: a record that begins before the newest one held (counted). What was used of a record of which nothing was planned
 * was sampled on request, while an alert stands: it counts for alerts, and in no figure, here and in blocks.ts.
 * Beside it, for the desk: blocks.ts, hours.ts and days.ts make 10-min means, hours, rolling 24 h and local-standard-time
 * days of records in any order, placed in time already.
 */
import {
  windowSeconds,
  type Average,
  type MonoSeconds,
  type StageCounts,
  type WindowName,
} from '../terms/terms.js'

export { BlockSums, dayText, startOfDay, type Block, type Piece, type StandardMillis } from './blocks.js'
export {
  dayFigure,
  hoursInDay,
  leastHoursOfDay,
  rolling24,
  type DayFigure,
  type RollingFigure,
} from './days.js'
export {
  blockAt,
  hourAt,
  hourRules,
  isHour,
  keptHours,
  quarterHourSeconds,
  type HourOf,
  type PeriodFigure,
  type PeriodKind,
} from './hours.js'

/** 24 h of full minutes and as many short records again; beyond it the oldest falls out. */
const ringSize = 2880

/** One record of a channel as it is held. */
export interface HeldRecord {
  /** Monotonic seconds of its start. */
  readonly at: number
  readonly seconds: number
  readonly plannedSeconds: number
  readonly usedSeconds: number
  readonly mean: number
  readonly over: boolean
}

export class ChannelAverages {
  private readonly startAt = new Float64Array(ringSize)
  private readonly seconds = new Float32Array(ringSize)
  private readonly planned = new Float32Array(ringSize)
  private readonly used = new Float32Array(ringSize)
  private readonly means = new Float64Array(ringSize)
  private readonly over = new Uint8Array(ringSize)
  private first = 0
  private length = 0
  private taken = 0
  private outOfOrder = 0

  /** @param mean NaN when nothing was used. */
  add(
    at: MonoSeconds,
    seconds: number,
    plannedSeconds: number,
    usedSeconds: number,
    mean: number,
    over: boolean,
  ): void {
    this.taken++
    if (this.length > 0 && at < this.startAt[this.index(this.length - 1)]) {
      this.outOfOrder++
      return
    }
    if (this.length === ringSize) this.first = (this.first + 1) % ringSize
    else this.length++
    const i = this.index(this.length - 1)
    this.startAt[i] = at
    this.seconds[i] = seconds
    this.planned[i] = plannedSeconds
    this.used[i] = usedSeconds
    this.means[i] = mean
    this.over[i] = over ? 1 : 0
  }

  private index(n: number): number {
    return (this.first + n) % ringSize
  }

  /** The average over the window that ends at `end` (the end of the newest record). */
  mean(window: WindowName, end: MonoSeconds): Average {
    return this.meanOver(windowSeconds[window], end)
  }

  /** The same with what was sampled on request, as if it had been planned: for alerts only. */
  meanForAlerts(window: WindowName, end: MonoSeconds): Average {
    return this.meanOver(windowSeconds[window], end, true)
  }

  /** The average over so many seconds that end at `end`: a day so far, for one. */
  meanOver(length: number, end: MonoSeconds, withRequested = false): Average {
    // Half a second of grace: record edges carry two decimals, windows do not.
    const from = end - length - 0.5
    let recorded = 0
    let used = 0
    let planned = 0
    let sum = 0
    let atLeast = false
    for (let n = this.length - 1; n >= 0; n--) {
      const i = this.index(n)
      if (this.startAt[i] < from) break
      recorded += this.seconds[i]
      planned += this.planned[i]
      if (!(this.used[i] > 0)) continue
      if (this.planned[i] === 0) {
        if (!withRequested) continue
        planned += this.seconds[i]
      }
      used += this.used[i]
      sum += this.used[i] * this.means[i]
      atLeast ||= this.over[i] === 1
    }
    return {
      mean: used > 0 ? sum / used : NaN,
      usedSeconds: used,
      plannedSeconds: planned,
      recordedSeconds: recorded,
      windowSeconds: length,
      dataCapture: planned > 0 ? Math.min(1, used / planned) : 0,
      sampledShare: length > 0 ? Math.min(1, used / length) : 0,
      atLeast,
    }
  }

  /** Every record held, oldest first. */
  *held(): Generator<HeldRecord> {
    for (let n = 0; n < this.length; n++) {
      const i = this.index(n)
      yield {
        at: this.startAt[i],
        seconds: this.seconds[i],
        plannedSeconds: this.planned[i],
        usedSeconds: this.used[i],
        mean: this.means[i],
        over: this.over[i] === 1,
      }
    }
  }

  /** Adds what `newer` holds behind the newest record held here. */
  followWith(newer: ChannelAverages): void {
    const newest = this.length > 0 ? this.startAt[this.index(this.length - 1)] : -Infinity
    for (let n = 0; n < newer.length; n++) {
      const i = newer.index(n)
      if (newer.startAt[i] <= newest) continue
      this.add(
        newer.startAt[i] as MonoSeconds,
        newer.seconds[i],
        newer.planned[i],
        newer.used[i],
        newer.means[i],
        newer.over[i] === 1,
      )
    }
  }

  /** A figure must not cross this moment: records that begin before it are forgotten. */
  forgetBefore(at: MonoSeconds): void {
    while (this.length > 0 && this.startAt[this.first] < at) {
      this.first = (this.first + 1) % ringSize
      this.length--
    }
  }

  /** Records of which any part lies in [from, to) stay planned, but nothing of them counts. */
  exclude(from: number, to: number): void {
    for (let n = 0; n < this.length; n++) {
      const i = this.index(n)
      if (this.startAt[i] < to && this.startAt[i] + this.seconds[i] > from) this.used[i] = 0
    }
  }

  counts(): StageCounts {
    return {
      taken: this.taken,
      given: this.taken - this.outOfOrder,
      held: 0,
      refused: this.outOfOrder > 0 ? { 'out-of-order': this.outOfOrder } : {},
    }
  }
}
