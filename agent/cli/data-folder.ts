/** The data folder of a station that will run: whose it is, its store, its checkpoint, its key. */
import { randomUUID } from 'node:crypto'
import { join } from 'node:path'
import { boardSigns } from '../hardware/board-identity.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { stateFile } from '../hardware/state-file.js'
import { stationKey } from '../hardware/station-key.js'
import type { Settings } from '../settings/settings.js'
import { reservedNumbers } from '../station/station.js'
import { claimFolder, keyFingerprint, openStore, type Claim, type Store } from '../store/store.js'
import { good, type Fault, type Outcome, type SigningKey, type StateFile } from '../terms/terms.js'

export interface DataFolder {
  readonly disk: Pick<FolderDisk, 'freeBytes' | 'close'>
  readonly store: Store
  readonly state: StateFile
  readonly signingKey: () => Promise<Outcome<SigningKey>>
  /** Of the key that signs; absent where it could not be made. */
  readonly keyFingerprint?: string
  readonly claim: Claim
  /** Set where this one stands in memory, because the real one cannot be opened: that one's fault. */
  readonly inMemory?: Fault
}

/** Opens it for the board that it is in now. Faults: store-foreign, disk-*. */
export async function openDataFolder(settings: Settings): Promise<Outcome<DataFolder>> {
  const { folder, mustBeMounted } = settings.data
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  if (!disk.ok) return disk
  const opened = await openStoreOn(disk.value, settings)
  if (!opened.ok) await disk.value.close()
  return opened
}

async function openStoreOn(disk: FolderDisk, settings: Settings): Promise<Outcome<DataFolder>> {
  const { folder } = settings.data
  const board = boardSigns()
  const claim = await claimFolder(disk, board)
  if (!claim.ok) return claim
  const state = stateFile(join(folder, 'state.json'))
  const reserved = await reservedNumbers(state)
  const { name } = settings.station
  const store = await openStore({ disk, newStoreId: randomUUID, station: name, board, ...reserved })
  if (!store.ok) return store
  // Made at the first start, so that its public half can be noted; where that fails it is told at the day's end.
  const key = await stationKey(folder)
  const fingerprint = key.ok ? { keyFingerprint: keyFingerprint(key.value.publicKey) } : {}
  const signingKey = () => stationKey(folder)
  return good({ disk, store: store.value, state, signingKey, claim: claim.value, ...fingerprint })
}

/** What the event line of a start says of the board. */
export function claimDetails(claim: Claim): Readonly<Record<string, string>> {
  if (claim.kind === 'unknown') return { board: 'unknown' }
  if (claim.kind !== 'other') return {}
  return { board: 'another', told_by: claim.source, earlier_store: claim.earlier.storeId }
}

/** For health; undefined where the board is the one that the store was made on. */
export function claimFault(claim: Claim): Fault | undefined {
  if (claim.kind !== 'other') return undefined
  const detail = `by its ${claim.source}; the earlier records, store ${claim.earlier.storeId}, are in ${claim.folder}`
  return { code: 'board-changed', detail }
}
