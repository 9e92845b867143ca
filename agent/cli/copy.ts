/** `motepost copy`: the records of a station to a stick, while the agent writes on. */
import { existsSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { askControl } from '../hardware/control-socket.js'
import { FolderDisk, openFolder } from '../hardware/disk.js'
import { lockFolder } from '../hardware/lock.js'
import { bad, good, type Fault, type Outcome } from '../terms/terms.js'
import { controlPath } from './control.js'
import { copyFiles, type CopiedFiles } from './copy-files.js'
import { copiedJson, copiedText, failedText } from './copy-words.js'
import {
  foldersOfStores,
  openStores,
  refuse,
  say,
  whereToLook,
  wrongUse,
  type DeskOptions,
  type DeskStore,
  type Opened,
} from './desk.js'
import { Progress } from './progress.js'
import { earlierFolder } from '../store/store.js'

export type CopyOptions = DeskOptions

export interface CopiedStore extends CopiedFiles {
  readonly storeId: string
  readonly station: string
  readonly folder: string
}

export interface Copied {
  readonly stores: readonly CopiedStore[]
  /** Whether a running agent made safe what it had in memory: 'none' runs, or it did not answer. */
  readonly flushed: 'yes' | 'none' | 'no'
  /** The same disk as the store: no second copy if that fails. */
  readonly sameDisk: boolean
}

/** On the stick: what a person may be looking for, then station and store. */
const topFolder = 'motepost'
/** A station's name as it may stand in a path on any system. */
const plainName = /^[a-z0-9][a-z0-9-]{0,31}$/

/** @returns exit code: 0 copied and read back, 1 it failed, 2 wrong use */
export async function copy(to: string, options: CopyOptions): Promise<number> {
  const where = await whereToLook(options)
  if (!where.ok) return refuse(where)
  const stick = openStick(to)
  if (!stick.ok) return refuse(stick)
  const { folder, settings } = where.value
  const socket =
    settings && options.store === undefined ? controlPath(settings) : join(folder, '.control.sock')
  const flushed = await flush(socket)
  const stores = await storesAt(folder, options.storeId)
  if (!stores.ok) return refuse(stores)
  const copied = await copyStores(stores.value, stick.value)
  if (!copied.ok) {
    if (options.json) await say(JSON.stringify({ v: 1, ok: false, ...copied.fault }))
    process.stderr.write(failedText(copied.fault, to) + '\n')
    return 1
  }
  const result = { stores: copied.value, flushed, sameDisk: statSync(folder).dev === stick.value.device }
  await say(options.json ? copiedJson(result) : copiedText(result, to).join('\n'))
  return 0
}

interface Stick {
  readonly disk: FolderDisk
  readonly device: number
  readonly isThere: () => boolean
}

function openStick(to: string): Opened<Stick> {
  if (!existsSync(to))
    return wrongUse(
      `there is no folder ${to}: is the stick mounted? It is not made, so that nothing goes to the card by mistake.`,
    )
  if (!statSync(to).isDirectory())
    return wrongUse(`${to} is no folder: name the folder at which the stick is mounted`)
  const device = statSync(to).dev
  const isThere = (): boolean => existsSync(to) && statSync(to).dev === device
  return { ok: true, value: { disk: new FolderDisk(to), device, isThere } }
}

/** What the agent holds in memory becomes safe first. */
async function flush(socket: string): Promise<Copied['flushed']> {
  if (!existsSync(socket)) return 'none'
  const asked = await askControl(socket, { do: 'flush' })
  if (!asked.ok) return asked.fault.code === 'agent-not-running' ? 'none' : 'no'
  return (asked.value as { ok?: unknown }).ok === true ? 'yes' : 'no'
}

/** With those that the station left behind when it came to another board. */
async function storesAt(folder: string, storeId: string | undefined): Promise<Opened<DeskStore[]>> {
  const earlier = join(folder, earlierFolder)
  const hasEarlier = existsSync(earlier) && foldersOfStores(earlier).length > 0
  const now = await openStores(folder, hasEarlier ? undefined : storeId)
  if (!now.ok || !hasEarlier) return now
  const before = await openStores(earlier)
  if (!before.ok) return before
  const all = [...now.value, ...before.value]
  const meant = all.filter(
    (one) => storeId === undefined || one.storeId.startsWith(storeId) || one.station === storeId,
  )
  return meant.length > 0 ? { ok: true, value: meant } : wrongUse(`no store here is '${storeId}'`)
}

async function copyStores(stores: readonly DeskStore[], stick: Stick): Promise<Outcome<CopiedStore[]>> {
  const writable = await openFolder(stick.disk.name, { create: true })
  if (!writable.ok) return writable
  const lock = await lockFolder(stick.disk.name)
  if (!lock.ok) return lock
  try {
    const copied: CopiedStore[] = []
    for (const store of stores) {
      const one = await copyStore(store, stick)
      if (!one.ok) return one
      copied.push(one.value)
    }
    return good(copied)
  } finally {
    await stick.disk.close()
    lock.value.release()
  }
}

async function copyStore(store: DeskStore, stick: Stick): Promise<Outcome<CopiedStore>> {
  const { storeId, station, disk: from } = store
  if (!plainName.test(station))
    return bad('store-foreign', `${store.folder}: '${station}' is no name of a station`)
  const folder = `${topFolder}/${station}/${storeId}`
  const made = await makeFolders(stick.disk, folder)
  if (!made.ok) return made
  const lines = store.files.map(({ name }) => name)
  const names = [
    ...store.others.filter((name) => name === 'store.json'),
    ...lines,
    ...store.others.filter((name) => name === 'damaged.txt' || name === 'conflicts.txt'),
  ]
  const room = await roomFor(names, from, stick.disk, folder)
  if (!room.ok) return room
  const progress = new Progress(`copying ${station}`)
  const newest = store.isArchive ? undefined : lines.at(-1)
  const task = { from, to: stick.disk, folder, names, newest, isThere: stick.isThere }
  const copied = await copyFiles({ ...task, progress: (share) => progress.show(share) })
  return copied.ok ? good({ storeId, station, folder, ...copied.value }) : copied
}

async function makeFolders(disk: FolderDisk, folder: string): Promise<Outcome<void>> {
  const parts = folder.split('/')
  let synced: Outcome<void> = good(undefined)
  for (let n = 1; n <= parts.length; n++) {
    const made = await disk.makeFolder(parts.slice(0, n).join('/'))
    if (!made.ok) return made
    synced = await disk.syncFolder(parts.slice(0, n - 1).join('/'))
    if (!synced.ok) return synced
  }
  return synced
}

/** A stick that is too small is told before anything is written: the largest file is needed twice for a moment. */
async function roomFor(
  names: readonly string[],
  from: FolderDisk,
  to: FolderDisk,
  folder: string,
): Promise<Outcome<void>> {
  let needed = 0
  let largest = 0
  for (const name of names) {
    const [here, there] = [await from.size(name), await to.size(`${folder}/${name}`)]
    const [size, known] = [here.ok ? here.value : 0, there.ok ? there.value : 0]
    if (size <= known) continue
    needed += size - known
    largest = Math.max(largest, known)
  }
  const free = await to.freeBytes()
  if (!free.ok || needed + largest <= free.value) return good(undefined)
  const fault: Fault = {
    code: 'disk-full',
    detail: `${to.name}: ${inMegabytes(needed + largest)} are needed, ${inMegabytes(free.value)} are free`,
  }
  return { ok: false, fault }
}

const inMegabytes = (bytes: number): string => `${(bytes / 1e6).toFixed(1)} MB`
