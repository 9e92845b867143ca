import type { Collector } from '../collector/collector.js'
import { openFolder } from '../hardware/disk.js'
import type { VirtualClock } from '../simulation/virtual-clock.js'
import type { Station } from '../station/station.js'
import { readStoreFolder, type Store } from '../store/store.js'
import { monoSeconds } from '../terms/terms.js'

export interface Proof {
  readonly stored: number
  readonly away: number
  readonly missing: number
  readonly changed: number
  readonly extra: number
}

interface Parties {
  readonly clock: VirtualClock
  readonly station: Station
  readonly collector: Collector
  readonly store: Store
  /** Real time that sockets may take to bring the last receipts. */
  readonly seconds: number
}

/** Lets the last pack and its receipt travel, then compares both ends line by line as anybody could. */
export async function proveDelivery(
  parties: Parties,
  stationFolder: string,
  archiveFolder: string,
): Promise<Proof> {
  const away = await lastReceipt(parties)
  const here = await textsIn(stationFolder)
  const there = await textsIn(archiveFolder)
  let missing = 0
  let changed = 0
  for (const [seq, text] of here) {
    if (!there.has(seq)) missing++
    else if (there.get(seq) !== text) changed++
  }
  const extra = [...there.keys()].filter((seq) => !here.has(seq)).length
  return { stored: here.size, away, missing, changed, extra }
}

async function lastReceipt({ clock, station, collector, store, seconds }: Parties): Promise<number> {
  station.sendNow()
  for (let tries = 0; tries < seconds * 20; tries++) {
    await station.settled()
    collector.step(clock.mono())
    await collector.settled()
    if (station.safeAway >= store.safeSeq) break
    await new Promise((resolve) => setTimeout(resolve, 50))
    clock.set(monoSeconds(clock.mono() + 1))
  }
  return station.safeAway
}

async function textsIn(folder: string): Promise<Map<number, string>> {
  const disk = await openFolder(folder, { create: false })
  const opened = disk.ok ? await readStoreFolder(disk.value) : disk
  const lines = opened.ok ? await opened.value.reader.lines(0, Number.MAX_SAFE_INTEGER) : opened
  return new Map(lines.ok ? lines.value.map(({ line, text }) => [line.seq, text]) : [])
}
