/** Writes lines to one file so that it ends in a whole line whatever the disk does, and says when it must be given up. */
import { bad, columnSetText, type ColumnSet, type Disk, type Fault } from '../terms/terms.js'
import { headerText, seedOf, storedLine, type Identity } from './stored-line.js'

export interface Entry {
  readonly seq: number
  readonly text: string
  /** A record's columns. */
  readonly set?: ColumnSet
}

/** A lines file that is being appended to, as it is known to stand on disk. */
export interface AppendFile {
  readonly name: string
  /** Length to cut back to. */
  length: number
  /** Lines with a number. */
  lines: number
  /** The file does not end in a line end: a cut-off line stands there. */
  openTail: boolean
  /** A whole header stands at its top. */
  header: boolean
  /** Its name survives a power cut. */
  named: boolean
  /** Ids of the column sets it explains. */
  readonly sets: Set<string>
}

export const newFile = (name: string): AppendFile => ({
  name,
  length: 0,
  lines: 0,
  openTail: false,
  header: false,
  named: false,
  sets: new Set(),
})

/** `spoiled`: nobody knows what the file holds now; it must not be written again. */
export type Appended =
  { readonly ok: true } | { readonly ok: false; readonly fault: Fault; readonly spoiled: boolean }

const cutMark = ',cut\n'

/** One append and one sync. On a failure nothing of the entries is safe, and the file is as before or spoiled. */
export async function appendEntries(
  disk: Disk,
  identity: Identity,
  file: AppendFile,
  entries: readonly Entry[],
): Promise<Appended> {
  const batch = batchOf(identity, file, entries)
  const written = await disk.append(file.name, batch.bytes)
  if (!written.ok) return cutBack(disk, file, written.fault)
  if (written.value < batch.bytes.length) {
    const { fault } = bad('disk-full', `${disk.name}/${file.name}`)
    return cutBack(disk, file, fault)
  }
  const synced = await disk.datasync(file.name)
  if (!synced.ok) return { ok: false, fault: synced.fault, spoiled: true }
  const named = file.named ? synced : await disk.syncFolder('')
  if (!named.ok) return { ok: false, fault: named.fault, spoiled: true }
  file.length += batch.bytes.length
  file.lines += entries.length
  Object.assign(file, { openTail: false, header: true, named: true })
  for (const id of batch.newSets) file.sets.add(id)
  return { ok: true }
}

function batchOf(identity: Identity, file: AppendFile, entries: readonly Entry[]) {
  const seed = seedOf(identity.storeId, file.name)
  const newSets = new Set<string>()
  let text = file.openTail ? cutMark : ''
  if (!file.header) text += storedLine(headerText(identity, file.name), seed)
  for (const { text: line, set } of entries) {
    if (set && !file.sets.has(set.id) && !newSets.has(set.id)) {
      newSets.add(set.id)
      text += storedLine(columnSetText(set), seed)
    }
    text += storedLine(line, seed)
  }
  return { bytes: Buffer.from(text), newSets }
}

/** Removes what a failed write may have left. A device error may have spoiled more than the end. */
async function cutBack(disk: Disk, file: AppendFile, fault: Fault): Promise<Appended> {
  const size = await disk.size(file.name)
  const missing = !size.ok && size.fault.code === 'disk-missing'
  if (missing && file.length === 0) return { ok: false, fault, spoiled: false }
  if (!size.ok || fault.code === 'disk-error') return { ok: false, fault, spoiled: true }
  if (size.value === file.length) return { ok: false, fault, spoiled: false }
  const cut = await disk.truncate(file.name, file.length)
  return { ok: false, fault, spoiled: !cut.ok }
}
