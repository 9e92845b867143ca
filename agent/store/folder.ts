import { bad, good, type Disk, type Outcome } from '../terms/terms.js'
import { readIdentity } from './identity.js'
import { linesFiles, type LinesName } from './names.js'
import { StoreReader, type ReadableFile } from './reader.js'

/** A store, an archive or a copy of one, opened for reading only. */
export interface StoreFolder {
  readonly storeId: string
  readonly station: string
  readonly reader: StoreReader
}

/**
 * Opens a folder for reading; nothing is written, synced or locked. What a running agent appends meanwhile may be seen or not.
 * Faults: store-foreign (also for an empty folder), disk-*.
 */
export async function readStoreFolder(disk: Disk): Promise<Outcome<StoreFolder>> {
  const read = await readIdentity(disk)
  if (!read.ok) return read
  if (!read.value) return bad('store-foreign', `${disk.name} is empty`)
  const { identity, names } = read.value
  const files = readableFiles(linesFiles(names))
  return good({ ...identity, reader: new StoreReader(disk, identity.storeId, () => files) })
}

/** A station's file is believed up to the first number of the next; an archive's within its range. */
export function readableFiles(files: readonly LinesName[]): ReadableFile[] {
  return files.map(({ name, first, last }, i) => ({
    name,
    first,
    last: last ?? (files[i + 1]?.first ?? Infinity) - 1,
    inOrder: last === undefined,
  }))
}
