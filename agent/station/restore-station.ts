import type { MonoSeconds } from '../terms/terms.js'
import { restoreInstruments } from './before.js'
import { restoreClock } from './clock-watch.js'
import type { Keeper } from './keeper.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Parts } from './parts.js'
import { earlierBoots, readCheckpoint, restoreEvents, type Checkpoint } from './restart.js'

/** A station as it was before this start: from the checkpoint where there is a whole one, and from the lines behind it. */
export async function restoreStation(
  parts: Parts,
  ports: StationPorts,
  keeper: Keeper,
  { notBefore }: StationOptions,
  now: MonoSeconds,
): Promise<void> {
  const { alerting, troubles, delivery, commands, site, energy, clock, faults, boot } = parts
  const { store } = ports
  const loaded = await ports.state.load()
  if (!loaded.ok) faults.raise('state', loaded.fault, now)
  const checkpoint = readCheckpoint(loaded.ok ? loaded.value : undefined)
  const found = await restoreEvents(store, checkpoint)
  alerting.restore(found.changes)
  await troubles.restore(checkpoint.troubles, store)
  delivery?.restore(found.delivery, now)
  commands?.restore(found.commands)
  keeper.session = found.newestSession + 1
  keeper.settingsHash = found.settingsHash
  keeper.sealing.restore(checkpoint.seals)
  restoreLink(parts, checkpoint, keeper.session, now)
  site.restore(found.site, await earlierBoots(store, boot))
  await restoreInstruments(parts, ports, notBefore)
  await restoreClock(parts, ports)
  energy?.restore(checkpoint.energy, clock.at(now))
  const { damaged } = store.recovered
  if (damaged > 0) faults.raise('store', { code: 'store-damaged', detail: `${damaged} lines` }, now)
}

function restoreLink(
  { uplink, ladder }: Parts,
  { uplink: saved }: Checkpoint,
  session: number,
  now: MonoSeconds,
): void {
  uplink?.restore(saved, session, now)
  ladder?.restore((Object(saved) as { ladder?: unknown }).ladder, now)
}
