/**
 * A data folder in memory, for the time in which the real one cannot be opened: a store of its own under a fresh store id, so
 * that no number of the real store is ever given to another line. Its lines leave by the uplink like any others. When the real
 * folder can be written again they move below `earlier/` there; what ends before that and was not sent is lost.
 */
import { randomUUID } from 'node:crypto'
import { openFolder } from '../hardware/disk.js'
import { stateFileOn } from '../hardware/state-file.js'
import { hasStationKey, stationKey } from '../hardware/station-key.js'
import type { Settings } from '../settings/settings.js'
import { MemoryDisk } from '../simulation/memory-disk.js'
import { earlierFolder, openStore } from '../store/store.js'
import { bad, done, good, type Disk, type Fault, type FaultCode, type Outcome } from '../terms/terms.js'
import type { DataFolder } from './data-folder.js'

/** About two weeks of minutes; what is safe away goes first when it is full, as on a disk. */
const roomBytes = 4 * 1024 * 1024

/** They may pass while the station measures on. All others are slips of the settings, which a person must mend. */
const passing: ReadonlySet<FaultCode> = new Set<FaultCode>([
  'disk-full',
  'disk-read-only',
  'disk-not-mounted',
  'disk-error',
])
export const mayPass = ({ code }: Fault): boolean => passing.has(code)

export interface MemoryFolder extends DataFolder {
  /** Looks again and again whether the real folder takes and keeps a little; gives what ends the looking. */
  readonly whenWritable: (found: () => void) => () => void
  /** Writes its lines below the real folder, once the station has stopped. Faults: disk-*. */
  readonly move: () => Promise<Outcome<void>>
}

/** @param why the fault of the real folder, which stands at the station as long as it runs on this one */
export async function openMemoryFolder(settings: Settings, why: Fault): Promise<Outcome<MemoryFolder>> {
  const memory = new MemoryDisk('memory')
  memory.capacityBytes = roomBytes
  const store = await openStore({ disk: memory, newStoreId: randomUUID, station: settings.station.name })
  if (!store.ok) return store
  const { folder } = settings.data
  return good({
    disk: Object.assign(memory, { close: () => Promise.resolve() }),
    store: store.value,
    state: stateFileOn(memory, 'state.json'),
    // A new key would be made below an empty mount point.
    signingKey: () => Promise.resolve(hasStationKey(folder) ? stationKey(folder) : bad(why.code, why.detail)),
    nextKey: bad(why.code, why.detail),
    claim: { kind: 'new' },
    inMemory: {
      code: why.code,
      detail: `${why.detail}; records are kept in memory only, as store ${store.value.storeId}`,
    },
    whenWritable: (found) => whenWritable(settings, found),
    move: () => moveTo(settings, memory, store.value.storeId),
  })
}

async function moveTo(settings: Settings, memory: MemoryDisk, storeId: string): Promise<Outcome<void>> {
  const disk = await realFolder(settings)
  if (!disk.ok) return disk
  const folder = `${earlierFolder}/${storeId}`
  for (const [path, parent] of [
    [earlierFolder, ''],
    [folder, earlierFolder],
  ]) {
    const made = await disk.value.makeFolder(path)
    const synced = made.ok ? await disk.value.syncFolder(parent) : made
    if (!synced.ok) return synced
  }
  for (const name of memory.paths.filter((path) => !path.startsWith('state.json'))) {
    const written = await writeFile(disk.value, `${folder}/${name}`, Buffer.from(memory.text(name)))
    if (!written.ok) return written
  }
  return disk.value.syncFolder(folder)
}

const realFolder = ({ data }: Settings) =>
  openFolder(data.folder, { create: true, mustBeMounted: data.mustBeMounted })

async function writeFile(disk: Disk, path: string, bytes: Uint8Array): Promise<Outcome<void>> {
  for (let at = 0; at < bytes.length;) {
    const written = await disk.append(path, bytes.subarray(at))
    if (!written.ok) return written
    if (written.value === 0) return bad('disk-full', path)
    at += written.value
  }
  return bytes.length === 0 ? done : disk.datasync(path)
}

/** The waiting between two looks, longer and longer. */
const firstWaitSeconds = 10
const longestWaitSeconds = 300

function whenWritable(settings: Settings, found: () => void): () => void {
  let waitSeconds = firstWaitSeconds
  let over = false
  let timer: NodeJS.Timeout
  const wait = (): void => void (timer = setTimeout(() => void look(), waitSeconds * 1000))
  const look = async (): Promise<void> => {
    const takes = await takesSomething(settings)
    if (over) return
    if (takes.ok) return found()
    waitSeconds = Math.min(longestWaitSeconds, 2 * waitSeconds)
    wait()
  }
  wait()
  return () => {
    over = true
    clearTimeout(timer)
  }
}

const trialName = '.trial'
/** Enough for a store's first files. */
const trialBytes = 64 * 1024

async function takesSomething(settings: Settings): Promise<Outcome<void>> {
  const disk = await realFolder(settings)
  if (!disk.ok) return disk
  const written = await writeFile(disk.value, trialName, new Uint8Array(trialBytes))
  await disk.value.close()
  const removed = await disk.value.remove(trialName)
  return written.ok ? removed : written
}
