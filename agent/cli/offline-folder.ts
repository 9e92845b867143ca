import { randomUUID } from 'node:crypto'
import { join } from 'node:path'
import { boardSigns } from '../hardware/board-identity.js'
import { SystemClock } from '../hardware/clock.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { lockFolder } from '../hardware/lock.js'
import { stateFile } from '../hardware/state-file.js'
import type { Settings } from '../settings/settings.js'
import { reservedNumbers } from '../station/station.js'
import { openStore, signOfAnotherBoard, type Store } from '../store/store.js'
import { bad, bootWord, type MonoSeconds, type Outcome, type UtcMillis } from '../terms/terms.js'

/** The store of a station whose agent does not run, and the present as a line of an event has it. */
export interface OfflineFolder {
  readonly store: Store
  readonly at: { readonly boot: string; readonly mono: MonoSeconds; readonly utc?: UtcMillis }
}

/**
 * Writes straight into a data folder that no agent writes to. Faults: those of the work; store-in-use, store-foreign, disk-*;
 * store-other-board, where the store is that of another board: a line of this one must not stand under its numbers.
 */
export async function onFolder<T>(
  settings: Settings,
  work: (folder: OfflineFolder) => Promise<Outcome<T>>,
): Promise<Outcome<T>> {
  const { folder, mustBeMounted } = settings.data
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  if (!disk.ok) return disk
  const lock = await lockFolder(folder)
  if (!lock.ok) return lock
  try {
    const store = await openOwnStore(settings, disk.value)
    return store.ok ? await work({ store: store.value, at: present(settings) }) : store
  } finally {
    await disk.value.close()
    lock.value.release()
  }
}

async function openOwnStore(settings: Settings, disk: FolderDisk): Promise<Outcome<Store>> {
  const board = boardSigns()
  const apart = await signOfAnotherBoard(disk, board)
  if (!apart.ok) return apart
  if (apart.value !== undefined) return bad('store-other-board', `${disk.name}, by its ${apart.value}`)
  const reserved = await reservedNumbers(stateFile(join(settings.data.folder, 'state.json')))
  const { name } = settings.station
  return openStore({ disk, newStoreId: randomUUID, station: name, board, ...reserved })
}

function present({ clock: { trust, ntpFile } }: Settings): OfflineFolder['at'] {
  const clock = new SystemClock(trust, ntpFile)
  const { at, source } = clock.utc()
  return { boot: bootWord(clock.bootId), mono: clock.mono(), utc: source === undefined ? undefined : at }
}
