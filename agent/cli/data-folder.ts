/** The data folder of a station that will run: whose it is, its store, its checkpoint, its key. */
import { randomUUID } from 'node:crypto'
import { join } from 'node:path'
import { boardSigns } from '../hardware/board-identity.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { stateFile } from '../hardware/state-file.js'
import { hasStationKey, nextKeyOf, stationKey } from '../hardware/station-key.js'
import type { Settings } from '../settings/settings.js'
import { reservedNumbers } from '../station/station.js'
import {
  claimFolder,
  finishRotation,
  keyChange,
  keyFingerprint,
  openStore,
  unsignedDetails,
  type Claim,
  type KeyChange,
  type Store,
  type UnsignedReason,
} from '../store/store.js'
import {
  done,
  good,
  type Fault,
  type NextKey,
  type Outcome,
  type SigningKey,
  type StateFile,
} from '../terms/terms.js'

export interface DataFolder {
  readonly disk: Pick<FolderDisk, 'freeBytes' | 'close'>
  readonly store: Store
  readonly state: StateFile
  readonly signingKey: () => Promise<Outcome<SigningKey>>
  readonly nextKey: Outcome<NextKey>
  /** It signs with another key than before, for which nobody vouches. */
  readonly keyChange?: KeyChange & { readonly next: string; readonly reason: UnsignedReason }
  /** Why a change of the key that was cut off could not be ended, or nobody knows which key signed before. */
  readonly keyFault?: Fault
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
  const keys = await keysOf(folder, store.value)
  return good({ disk, store: store.value, state, claim: claim.value, ...keys })
}

type Keys = Pick<DataFolder, 'signingKey' | 'nextKey' | 'keyFingerprint' | 'keyChange' | 'keyFault'>

/**
 * The key that signs, made at the first start, so that its public half can be noted. What goes wrong with it stops nothing: the
 * day's end asks for it again.
 */
async function keysOf(folder: string, store: Store): Promise<Keys> {
  const nextKey = nextKeyOf(folder)
  const finished = nextKey.ok ? await finishRotation(store, nextKey.value) : done
  const wasThere = hasStationKey(folder)
  const key = await stationKey(folder)
  const found = key.ok ? await keyChange(store, key.value) : good(undefined)
  const failed = [finished, found].find((outcome) => !outcome.ok) as { fault: Fault } | undefined
  const change = found.ok && key.ok ? found.value : undefined
  const next = key.ok ? key.value.publicKey : ''
  const reason = nextKey.ok ? (wasThere ? 'replaced' : 'missing') : 'given'
  return {
    // Whoever removes the file meanwhile takes nothing from a station that runs.
    signingKey: () => (key.ok ? Promise.resolve(key) : stationKey(folder)),
    nextKey,
    ...(key.ok ? { keyFingerprint: keyFingerprint(next) } : {}),
    ...(change ? { keyChange: { ...change, next, reason } } : {}),
    ...(failed ? { keyFault: failed.fault } : {}),
  }
}

/** Details of the line that says so, once. */
export function keyDetails({ keyChange: change }: DataFolder): Record<string, string> | undefined {
  if (!change || change.isTold) return undefined
  return unsignedDetails(change.before, change.next, change.reason)
}

/** For health. */
export function keyFaultOf({ keyChange: change, keyFault }: DataFolder): Fault | undefined {
  if (!change) return keyFault
  const [now, before] = [keyFingerprint(change.next), keyFingerprint(change.before)]
  return { code: 'key-changed', detail: `now ${now.slice(0, 19)}…, before ${before.slice(0, 19)}…` }
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
