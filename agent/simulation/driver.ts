import type { Station } from '../station/station.js'
import { monoSeconds } from '../terms/terms.js'
import type { VirtualClock } from './virtual-clock.js'

/**
 * Lives a station through virtual time, tick by tick. Time stands still while a port operation is in flight; real
 * sockets and disks keep their real limits.
 * @param moments called when virtual time reaches its key (seconds of monotonic time), once each, in order
 */
export async function liveUntil(
  station: Station,
  clock: VirtualClock,
  until: number,
  moments: readonly (readonly [at: number, act: () => Promise<void> | void])[] = [],
): Promise<void> {
  const waiting = [...moments].sort((a, b) => a[0] - b[0])
  while (clock.mono() < until) {
    const next = Math.min(until, station.nextTickAt, waiting[0]?.[0] ?? Infinity)
    clock.set(monoSeconds(Math.max(next, clock.mono())))
    while (waiting.length > 0 && waiting[0][0] <= clock.mono()) await waiting.shift()![1]()
    station.tick()
    if (station.busy) await station.settled()
  }
}
