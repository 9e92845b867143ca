import type { Store } from '../store/store.js'

const linesLookedAt = 400
/** A record a minute: these are an hour of running, whatever the clock said. */
const recordsLookedAt = 60

/**
 * How many starts of the last hour of records had no stop before them, the present one included; to be asked before its line
 * is written. By records and not by time: in a loop of restarts no clock may ever be trusted.
 */
export async function abruptStarts(store: Store): Promise<number> {
  const newest = await store.newest(linesLookedAt)
  if (!newest.ok) return 0
  const lines = newest.value.map(({ line }) => line)
  let records = 0
  let starts = 0
  for (let i = lines.length; i > 0 && records < recordsLookedAt; i--) {
    const line = lines.at(i)
    const before = lines[i - 1]
    if (before.kind === 'record') records++
    const isStart = line === undefined || (line.kind === 'event' && line.name === 'started')
    const isClean = before.kind === 'event' && before.name === 'stopped'
    if (isStart && !isClean) starts++
  }
  return starts
}
