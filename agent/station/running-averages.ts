import { ChannelAverages, type HeldRecord } from '../averages/averages.js'
import type { Store } from '../store/store.js'
import {
  isSupply,
  kindOf,
  localDay,
  windowSeconds,
  type Average,
  type Basis,
  type ColumnSet,
  type MonoSeconds,
  type UtcMillis,
  type WindowName,
} from '../terms/terms.js'
import { dayHours, type DayHours } from './day-hours.js'
import { averageJson } from './messages.js'
import { isOverRange, restoreAverages } from './restart.js'
import type { SiteEffect } from './site-effects.js'

interface Kept {
  averages: ChannelAverages
  /** Position of the mean among the values of a record; the used seconds stand behind it. */
  readonly meanAt: number
}

/** The averages that a running station holds of its channels: fed with each record, made anew from the store. */
export class RunningAverages {
  private readonly byKey = new Map<string, Kept>()

  /**
   * @param keys channels with slot; those the set does not have are left out
   * @param ofSensors those that the sampling plan lets sleep; a gauge is planned all the time
   */
  constructor(
    private readonly set: ColumnSet,
    keys: Iterable<string>,
    private readonly ofSensors: ReadonlySet<string>,
  ) {
    for (const key of keys) {
      const meanAt = set.columns.findIndex((c) => c.channel === key && c.statistic === 'mean')
      if (meanAt >= 0) this.byKey.set(key, { averages: new ChannelAverages(), meanAt })
    }
  }

  get keys(): readonly string[] {
    return [...this.byKey.keys()]
  }

  feed(start: MonoSeconds, seconds: number, planned: number, values: Float64Array): void {
    for (const [key, { averages, meanAt }] of this.byKey)
      averages.add(
        start,
        seconds,
        this.ofSensors.has(key) ? planned : seconds,
        values[meanAt + 1],
        values[meanAt],
        isOverRange(this.set, meanAt, values),
      )
  }

  /** What alerts go by, over the window that ends at `end`; undefined for a channel that is not kept. */
  forAlerts(key: string, window: WindowName, end: MonoSeconds): Average | undefined {
    return this.byKey.get(key)?.averages.meanForAlerts(window, end)
  }

  /** The same over the window before that one: the part of both that is not in the later one. */
  beforeForAlerts(key: string, window: WindowName, end: MonoSeconds): Average | undefined {
    const averages = this.byKey.get(key)?.averages
    const length = windowSeconds[window]
    return (
      averages && earlierPart(averages.meanOver(2 * length, end, true), averages.meanOver(length, end, true))
    )
  }

  /** Mean of the hours that count of the day that has just ended, for a rule that is looked at once a day. */
  dayForAlerts(key: string, end: MonoSeconds, day: DaySoFar): Average | undefined {
    const hours = this.hoursOfDay(key, end, day)
    if (!hours) return undefined
    const means = hours.means.filter((mean) => mean !== null)
    const usedSeconds = means.length * 3600
    return {
      mean: means.length > 0 ? means.reduce((sum, mean) => sum + mean, 0) / means.length : NaN,
      usedSeconds,
      plannedSeconds: daySeconds,
      windowSeconds: daySeconds,
      dataCapture: usedSeconds / daySeconds,
      sampledShare: usedSeconds / daySeconds,
      atLeast: hours.at_least,
    }
  }

  /** The records that are held of a channel: a day and more. */
  held(key: string): Iterable<HeldRecord> {
    return this.byKey.get(key)?.averages.held() ?? []
  }

  /**
   * Made anew from the newest records of the store, so that what the site log says now holds for them too. What was
   * measured and is not in the store yet goes behind it.
   */
  async rebuild(
    store: Store,
    present: { readonly boot: string; readonly mono: MonoSeconds; readonly utc?: UtcMillis },
    effects: () => readonly SiteEffect[],
  ): Promise<void> {
    const fresh = new Map(this.keys.map((key) => [key, new ChannelAverages()]))
    const { boot, mono, utc } = present
    const anchor = utc === undefined ? undefined : { mono, utc }
    const { set, ofSensors } = this
    await restoreAverages(store, set, boot, anchor, (key) => fresh.get(key), ofSensors)
    for (const [key, kept] of this.byKey) {
      const averages = fresh.get(key)!
      averages.followWith(kept.averages)
      kept.averages = averages
    }
    this.apply(effects())
  }

  private apply(effects: readonly SiteEffect[]): void {
    for (const [key, { averages }] of this.byKey) {
      if (isSupply(key)) continue
      const slot = key.split('.')[1]
      for (const effect of effects) {
        if (effect.slot !== undefined && effect.slot !== slot) continue
        if (effect.kind === 'cut') averages.forgetBefore(effect.at)
        else averages.exclude(effect.from, effect.to)
      }
    }
  }

  /** 1-h and rolling 24-h averages of a channel: ten minutes are over before a message with them is read. */
  longJson(key: string, end: MonoSeconds): Record<string, unknown> {
    const kept = this.byKey.get(key)
    const decimals = kindOf(key)?.decimals ?? 2
    const of = (window: WindowName) => kept && averageJson(kept.averages.mean(window, end), decimals)
    return { '1-h': of('1-h'), '24-h': of('24-h') }
  }

  /** Hours of the day so far, for a verdict; undefined for a channel that is not kept. */
  hoursOfDay(key: string, end: MonoSeconds, day: DaySoFar): HoursOfDay | undefined {
    const kept = this.byKey.get(key)
    if (!kept) return undefined
    const { basis } = this.set.columns[kept.meanAt]
    return { date: day.date, basis, ...dayHours(kept.averages, end, day) }
  }

  /** 10-min, 1-h and rolling 24-h averages of a channel, and the local-standard-time day so far, as JSON. */
  json(key: string, end: MonoSeconds, day?: DaySoFar): Record<string, unknown> {
    const kept = this.byKey.get(key)
    if (!kept) return {}
    const decimals = kindOf(key)?.decimals ?? 2
    const of = (average: Average) => averageJson(average, decimals)
    return {
      '10-min': of(kept.averages.mean('10-min', end)),
      '1-h': of(kept.averages.mean('1-h', end)),
      '24-h': of(kept.averages.mean('24-h', end)),
      ...(day ? { day: { date: day.date, ...of(kept.averages.meanOver(day.seconds, end)) } } : {}),
    }
  }
}

function earlierPart(both: Average, later: Average): Average {
  const rest = (name: 'usedSeconds' | 'plannedSeconds' | 'recordedSeconds'): number =>
    Math.max(0, (both[name] ?? 0) - (later[name] ?? 0))
  const [usedSeconds, plannedSeconds] = [rest('usedSeconds'), rest('plannedSeconds')]
  const sum = (of: Average): number => (of.usedSeconds > 0 ? of.mean * of.usedSeconds : 0)
  return {
    mean: usedSeconds > 0 ? (sum(both) - sum(later)) / usedSeconds : NaN,
    usedSeconds,
    plannedSeconds,
    recordedSeconds: rest('recordedSeconds'),
    windowSeconds: later.windowSeconds,
    dataCapture: plannedSeconds > 0 ? Math.min(1, usedSeconds / plannedSeconds) : 0,
    sampledShare: Math.min(1, usedSeconds / later.windowSeconds),
    atLeast: both.atLeast,
  }
}

export interface HoursOfDay extends DayHours {
  readonly date: string
  readonly basis: Basis
}

export interface DaySoFar {
  /** 'YYYY-MM-DD' in local standard time. */
  readonly date: string
  readonly seconds: number
}

export const daySeconds = 86_400

/** The day that a moment lies in; a moment at midnight is the end of the day before. */
export function daySoFar(utc: UtcMillis, standardOffsetMinutes: number): DaySoFar {
  const local = utc / 1000 + standardOffsetMinutes * 60
  const into = local % daySeconds
  const seconds = into < 0.5 ? daySeconds : into
  const date = localDay((utc - 1000) as UtcMillis, standardOffsetMinutes)
  return { date, seconds }
}
