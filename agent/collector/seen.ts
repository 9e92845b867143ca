/** What the collector has seen of each station: the newest of every report, and when anything was heard at all. */
import { secondsBetween, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
import type { AlertReport, AliveReport, AveragesReport, HealthReport, Report } from './reports.js'

/**
 * A time as the collector knows it. Silence is counted in listened seconds: those in which the collector was connected, over
 * all of its starts. What could not be heard is no silence.
 */
export interface Heard {
  readonly listenedSeconds: number
  readonly utc?: UtcMillis | undefined
}

export interface StationSeen {
  readonly station: string
  /** When it first was known of. */
  readonly firstAt: Heard
  /** When the station itself last said anything: a will is said by the broker. */
  readonly heardAt?: Heard
  readonly alive?: AliveReport
  readonly aliveAt?: Heard
  readonly health?: HealthReport
  readonly healthAt?: Heard
  readonly averages?: AveragesReport
  readonly alerts: ReadonlyMap<string, AlertReport>
  /** Share of readings that were refused between the two newest health messages, by reason. */
  readonly refusedShares?: Readonly<Record<string, number>>
  /** Of the station's clock against ours, newest last, of one boot; seconds, positive: ahead. */
  readonly clockOffsets: readonly number[]
  /** Packs and reports that were refused. */
  readonly refused: Readonly<Record<string, number>>
  /** Lines that came with the number of another one. */
  readonly conflicts: number
  readonly stores: readonly string[]
}

type Changing = { -readonly [K in keyof StationSeen]: StationSeen[K] } & { alerts: Map<string, AlertReport> }

const mostAlerts = 100
const mostOffsets = 5
const mostStores = 64
const mostReasons = 16
/** Fewer readings say nothing of a share. */
const leastReadings = 300

/** A last will promises nothing: what its station promised before holds. */
const aliveWithPromise = (alive: AliveReport, before: AliveReport | undefined): AliveReport =>
  alive.state === 'lost' && alive.nextContactSeconds === undefined && before?.nextContactSeconds !== undefined
    ? { ...alive, nextContactSeconds: before.nextContactSeconds, everySeconds: before.everySeconds }
    : alive

/** The name of one station more than are watched, or nothing. */
export class StationsSeen {
  private readonly seen = new Map<string, Changing>()

  constructor(private readonly mostStations: number) {}

  all(): readonly StationSeen[] {
    return [...this.seen.values()]
  }

  of(station: string): StationSeen | undefined {
    return this.seen.get(station)
  }

  /** @returns false where there are too many stations to know of another. */
  know(station: string, at: Heard): boolean {
    return this.entry(station, at) !== undefined
  }

  /** Puts back what was known before a restart. */
  restore(seen: StationSeen): void {
    if (this.seen.size < this.mostStations)
      this.seen.set(seen.station, { ...seen, alerts: new Map(seen.alerts) })
  }

  /**
   * @param retained the broker had kept it: nobody knows when it was said
   * @returns false where there are too many stations to know of another
   */
  take(station: string, report: Report, at: Heard, retained: boolean): boolean {
    const entry = this.entry(station, at)
    if (!entry) return false
    const isOwnWord = !retained && !(report.kind === 'alive' && report.alive.state === 'lost')
    if (isOwnWord) entry.heardAt = at
    if (report.kind === 'health') takeHealth(entry, report.health, at, retained)
    else if (report.kind === 'alive')
      Object.assign(entry, {
        alive: aliveWithPromise(report.alive, entry.alive),
        ...(retained && entry.aliveAt ? {} : { aliveAt: at }),
      })
    else if (report.kind === 'averages') entry.averages = report.averages
    else if (entry.alerts.has(report.alert.rule) || entry.alerts.size < mostAlerts)
      entry.alerts.set(report.alert.rule, report.alert)
    return true
  }

  /** Lines came from the station itself. */
  lines(station: string, storeId: string, conflicts: number, at: Heard): void {
    const entry = this.entry(station, at)
    if (!entry) return
    entry.heardAt = at
    entry.conflicts += conflicts
    entry.stores = [...entry.stores.filter((id) => id !== storeId), storeId].slice(-mostStores)
  }

  refuse(station: string, reason: string): void {
    const entry = this.seen.get(station)
    if (!entry) return
    if (entry.refused[reason] === undefined && Object.keys(entry.refused).length >= mostReasons) return
    entry.refused = { ...entry.refused, [reason]: (entry.refused[reason] ?? 0) + 1 }
  }

  private entry(station: string, at: Heard): Changing | undefined {
    const known = this.seen.get(station)
    if (known) return known
    if (this.seen.size >= this.mostStations) return undefined
    const made: Changing = {
      ...{ station, firstAt: at, alerts: new Map(), clockOffsets: [], refused: {}, conflicts: 0, stores: [] },
    }
    this.seen.set(station, made)
    return made
  }
}

function takeHealth(entry: Changing, health: HealthReport, at: Heard, retained: boolean): void {
  const before = entry.health
  const isSameLife = before?.boot === health.boot && before?.session === health.session
  const shares = isSameLife ? sharesBetween(before, health) : undefined
  if (!isSameLife || shares) entry.refusedShares = shares
  if (before?.boot !== health.boot) entry.clockOffsets = []
  // The same message once more, after a new connection, tells nothing new of the clock.
  const isSaidAgain = isSameLife && before?.at === health.at
  if (!retained && !isSaidAgain && health.at !== undefined && at.utc !== undefined)
    entry.clockOffsets = [...entry.clockOffsets, (health.at - at.utc) / 1000].slice(-mostOffsets)
  entry.health = health
  if (!retained) entry.healthAt = at
  else entry.healthAt ??= { ...at, utc: asOldAsItSays(health.at, at.utc) }
}

/** What the broker had kept was not said now; its own clock is believed as far as it can be true. */
const asOldAsItSays = (said: UtcMillis | undefined, now: UtcMillis | undefined): UtcMillis | undefined =>
  said !== undefined && now !== undefined && said <= now ? said : undefined

function sharesBetween(
  before: HealthReport | undefined,
  health: HealthReport,
): Record<string, number> | undefined {
  const [old, now] = [before?.readings, health.readings]
  const taken = old && now ? now.taken - old.taken : 0
  if (!old || !now || taken < leastReadings) return undefined
  return Object.fromEntries(
    Object.entries(now.refused).map(([reason, count]) => [
      reason,
      Math.max(0, count - (Object.hasOwn(old.refused, reason) ? old.refused[reason] : 0)) / taken,
    ]),
  )
}

/** For time that both know. */
export const listenedSince = (at: Heard | undefined, now: Heard): number | undefined =>
  at && Math.max(0, now.listenedSeconds - at.listenedSeconds)

/** Counts the seconds in which the collector could hear. */
export class Listening {
  private since: MonoSeconds | undefined
  constructor(private before = 0) {}

  begins(now: MonoSeconds): void {
    this.since ??= now
  }

  ends(now: MonoSeconds): void {
    this.before = this.seconds(now)
    this.since = undefined
  }

  restore(seconds: number): void {
    this.before += seconds
  }

  seconds(now: MonoSeconds): number {
    return this.before + (this.since === undefined ? 0 : Math.max(0, secondsBetween(this.since, now)))
  }
}
