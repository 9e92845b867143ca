import { openFolder } from '../hardware/disk.js'
import type { Settings } from '../settings/settings.js'
import { entryDetails, readEntry, siteLineName, SiteLog } from '../sitelog/sitelog.js'
import { siteList, type EntryAnswer, type SiteList } from '../station/station.js'
import { readStoreFolder, type Store } from '../store/store.js'
import { good, type EventLine, type Outcome } from '../terms/terms.js'
import { onFolder } from './offline-folder.js'

/** The site log of a data folder that no agent writes to. */

type Added = EntryAnswer & { readonly safe: boolean }

/** Writes an entry straight into the store. Faults: those of `onFolder`. */
export function addToFolder(settings: Settings, entry: Record<string, string>): Promise<Outcome<Added>> {
  return onFolder(settings, async ({ store, at }) => {
    const log = new SiteLog()
    await store.scan((view) => addIfEvent(log, view.line()), { kind: 'event' })
    const slots = settings.instruments.flatMap(({ slot }) => slot ?? [])
    const read = readEntry(entry, at.utc, { slots })
    if (!read.ok) return good({ ...read, safe: false })
    const faults = log.objections(read.value)
    if (faults.length > 0) return good({ ok: false, faults, safe: false })
    const details = entryDetails(read.value)
    return written(store, log, { kind: 'event', ...at, name: siteLineName, details })
  })
}

async function written(store: Store, log: SiteLog, line: Omit<EventLine, 'seq'>): Promise<Outcome<Added>> {
  const number = store.append((seq) => ({ ...line, seq }))
  const flushed = await store.flush()
  if (!flushed.ok) return flushed
  log.add({ ...line, seq: number })
  const notes = log.notesOn(number)
  return good({ ok: true, number, details: line.details, notes, safe: number <= store.safeSeq })
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
