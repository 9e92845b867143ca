import { serviceWatchdog } from '../hardware/watchdog.js'
import type { Station } from '../station/station.js'
import type { Log, MonoSeconds } from '../terms/terms.js'

/** Work on a line or a disk that takes so much of the watchdog's time has stopped. */
const stalledShare = 0.5
/** A station that is not well is looked at again after such a share of the time between feeds. */
const againShare = 0.25

/**
 * Feeds the service manager's watchdog while lines, storage and the loop itself go on; call what it gives after each tick. A
 * missing sensor or a full disk is told elsewhere and no reason to starve: a new start would not help. What hangs is.
 */
export function watchdogFeeder(station: Station, log: Log): () => void {
  const watchdog = serviceWatchdog(process.env, (why) =>
    log.warn(`the watchdog of the service manager cannot be fed: ${why}`),
  )
  if (!watchdog) return () => undefined
  let at = -Infinity as MonoSeconds
  return () => {
    const now = station.nextTickAt
    if (now < at) return
    const stalled = station.stalled(stalledShare * watchdog.withinSeconds)
    at = (now + watchdog.everySeconds * (stalled ? againShare : 1)) as MonoSeconds
    if (stalled === undefined) watchdog.feed()
    else log.warn(`the watchdog is not fed: ${stalled}`)
  }
}
