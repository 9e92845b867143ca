import type { Station } from '../station/station.js'
import { monoSeconds } from '../terms/terms.js'
import type { VirtualClock } from './virtual-clock.js'

/** Something that happens once, when virtual time gets there. */
export type Moment = readonly [atSeconds: number, act: () => Promise<void> | void]

export interface Living {
  readonly station: Station
  readonly clock: VirtualClock
  /** Monotonic time of its board at time 0 of the story. */
  readonly monoAtZero: number
}

/**
 * Lives stations side by side through virtual time, tick by tick, each by its own board's clock. Time stands still while a
 * port operation is in flight; real sockets and disks keep their real limits.
 * @param fromSeconds present time of the story
 * @param moments each called when time reaches its key, in order
 */
export async function liveTogether(
  stations: readonly Living[],
  fromSeconds: number,
  untilSeconds: number,
  moments: readonly Moment[] = [],
): Promise<void> {
  const waiting = [...moments].sort((a, b) => a[0] - b[0])
  let now = fromSeconds
  let next = 0
  while (now < untilSeconds) {
    let due = Math.min(untilSeconds, waiting[next]?.[0] ?? Infinity)
    for (const { station, monoAtZero } of stations) due = Math.min(due, station.nextTickAt - monoAtZero)
    now = Math.max(now, due)
    for (const { clock, monoAtZero } of stations) clock.set(monoSeconds(monoAtZero + now))
    while (next < waiting.length && waiting[next][0] <= now) await waiting[next++][1]()
    for (const { station, clock } of stations) {
      if (station.nextTickAt > clock.mono()) continue
      station.tick()
      if (station.busy) await station.settled()
    }
  }
}

/** One station alone; times are those of its own monotonic clock. */
export async function liveUntil(
  station: Station,
  clock: VirtualClock,
  until: number,
  moments: readonly Moment[] = [],
): Promise<void> {
  await liveTogether([{ station, clock, monoAtZero: 0 }], clock.mono(), until, moments)
}
