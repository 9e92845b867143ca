import { readdirSync, realpathSync, statSync, type Dirent } from 'node:fs'
import { join } from 'node:path'

/** A folder, or a link to one: archives may lie on several disks. */
const isFolder = (entry: Dirent, within: string): boolean =>
  entry.isDirectory() ||
  (entry.isSymbolicLink() &&
    statSync(join(within, entry.name), { throwIfNoEntry: false })?.isDirectory() === true)

/** Names of the folders in a folder, hidden ones left out; none where it cannot be read. */
export function subfolders(folder: string): string[] {
  try {
    const entries = readdirSync(folder, { withFileTypes: true })
    return entries.flatMap((one) => (!one.name.startsWith('.') && isFolder(one, folder) ? [one.name] : []))
  } catch {
    return []
  }
}

/** The same place by whichever links it was reached. */
export function truePath(path: string): string {
  try {
    return realpathSync(path)
  } catch {
    return path
  }
}
