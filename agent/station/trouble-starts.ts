import type { Store } from '../store/store.js'
import type { Line } from '../terms/terms.js'

const linesLookedAt = 400
/** A record a minute: these are an hour of running, whatever the clock said. */
const recordsLookedAt = 60

/**
 * How many starts of the last hour of records had no stop before them, the present one included; to be asked before its line
 * is written. By records and not by time: in a loop of restarts no clock may ever be trusted. The first start of a store is
 * none of them.
 */
export async function abruptStarts(store: Store): Promise<number> {
  const newest = await store.newest(linesLookedAt)
  if (!newest.ok) return 0
  let records = 0
  let starts = 0
  // A start that was met and whose stop was not found yet: what a stop leaves, a seal and numbers left out, lies between.
  let isOpen = true
  for (const { line } of newest.value.reverse()) {
    const isStart = isEvent(line, 'started')
    if (isEvent(line, 'stopped')) isOpen = false
    else if (isOpen && (isStart || line.kind === 'record')) {
      starts++
      isOpen = false
    }
    if (isStart) isOpen = true
    if (line.kind === 'record' && ++records >= recordsLookedAt) break
  }
  return starts
}

const isEvent = (line: Line, name: string): boolean => line.kind === 'event' && line.name === name
