import { randomUUID } from 'node:crypto'
import { join } from 'node:path'
import { boardSigns } from '../hardware/board-identity.js'
import { SystemClock } from '../hardware/clock.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { lockFolder } from '../hardware/lock.js'
import { stateFile } from '../hardware/state-file.js'
import type { Settings } from '../settings/settings.js'
import { entryDetails, readEntry, siteLineName, SiteLog } from '../sitelog/sitelog.js'
import { reservedNumbers, siteList, type EntryAnswer, type SiteList } from '../station/station.js'
import { openStore, readStoreFolder, signOfAnotherBoard, type Store } from '../store/store.js'
import { bad, bootWord, good, type EventLine, type Outcome } from '../terms/terms.js'

/** The site log of a data folder that no agent writes to. */

type Added = EntryAnswer & { readonly safe: boolean }

/**
 * Writes an entry straight into the store. Faults: store-in-use, store-foreign, disk-*; store-other-board, where the store is
 * that of another board: a line of this one must not stand under its numbers.
 */
export async function addToFolder(
  settings: Settings,
  entry: Record<string, string>,
): Promise<Outcome<Added>> {
  const { folder, mustBeMounted } = settings.data
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  if (!disk.ok) return disk
  const lock = await lockFolder(folder)
  if (!lock.ok) return lock
  try {
    return await addToDisk(settings, disk.value, entry)
  } finally {
    await disk.value.close()
    lock.value.release()
  }
}

async function addToDisk(
  settings: Settings,
  disk: FolderDisk,
  entry: Record<string, string>,
): Promise<Outcome<Added>> {
  const board = boardSigns()
  const apart = await signOfAnotherBoard(disk, board)
  if (!apart.ok) return apart
  if (apart.value !== undefined) return bad('store-other-board', `${disk.name}, by its ${apart.value}`)
  const reserved = await reservedNumbers(stateFile(join(settings.data.folder, 'state.json')))
  const store = await openStore({
    disk,
    newStoreId: randomUUID,
    station: settings.station.name,
    board,
    ...reserved,
  })
  if (!store.ok) return store
  const log = new SiteLog()
  await store.value.scan((view) => addIfEvent(log, view.line()), { kind: 'event' })
  const { utc, bootId, mono } = present(settings)
  const slots = settings.instruments.flatMap(({ slot }) => slot ?? [])
  const read = readEntry(entry, utc, { slots })
  if (!read.ok) return good({ ...read, safe: false })
  const faults = log.objections(read.value)
  if (faults.length > 0) return good({ ok: false, faults, safe: false })
  const details = entryDetails(read.value)
  const line = { kind: 'event', boot: bootWord(bootId), mono, utc, name: siteLineName, details } as const
  return written(store.value, log, line)
}

async function written(store: Store, log: SiteLog, line: Omit<EventLine, 'seq'>): Promise<Outcome<Added>> {
  const number = store.append((seq) => ({ ...line, seq }))
  const flushed = await store.flush()
  if (!flushed.ok) return flushed
  log.add({ ...line, seq: number })
  const notes = log.notesOn(number)
  return good({ ok: true, number, details: line.details, notes, safe: number <= store.safeSeq })
}

function present(settings: Settings) {
  const clock = new SystemClock(settings.clock.trust, settings.clock.ntpFile)
  const { at, source } = clock.utc()
  return { bootId: clock.bootId, mono: clock.mono(), utc: source === undefined ? undefined : at }
}

function addIfEvent(log: SiteLog, line: { readonly kind: string } | undefined): void {
  if (line?.kind === 'event') log.add(line as EventLine)
}

/** Faults: store-foreign, disk-*. */
export async function listOfFolder(settings: Settings): Promise<Outcome<SiteList>> {
  const disk = await openFolder(settings.data.folder, { create: false })
  if (!disk.ok) return disk
  const folder = await readStoreFolder(disk.value)
  if (!folder.ok) return folder
  const log = new SiteLog()
  const read = await folder.value.reader.scan((view) => addIfEvent(log, view.line()), { kind: 'event' })
  await disk.value.close()
  return read.ok ? good(siteList(log)) : read
}
