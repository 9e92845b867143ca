import type { FaultBoard } from '../health/health.js'
import type { MinuteSeconds } from '../minutes/minutes.js'
import type { Exclusion, FaultCode, MonoSeconds } from '../terms/terms.js'

/** Readings that come, and say that something is wrong with the sensor itself. */
const told: readonly (readonly [Exclusion, FaultCode])[] = [
  ['stuck', 'sensor-stuck'],
  ['fan-or-inlet', 'sensor-no-particles'],
  ['sensor-error', 'sensor-error'],
]

/**
 * Tells once what most of a finished record was excluded for, and that it is over with the first record without any of it
 * in which readings count: a single error frame is no fault that stands.
 */
export function tellExcluded(
  faults: FaultBoard,
  where: string,
  { excluded, used }: MinuteSeconds,
  plannedSeconds: number,
  at: MonoSeconds,
): void {
  for (const [reason, code] of told) {
    const seconds = excluded[reason] ?? 0
    if (seconds > 0 && seconds >= plannedSeconds / 2)
      faults.raise(where, { code, detail: `${where}: ${seconds.toFixed(0)} s` }, at)
    else if (seconds === 0 && used > 0) faults.clear(where, code)
  }
}
