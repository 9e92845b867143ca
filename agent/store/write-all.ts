import { bad, type Disk, type Outcome } from '../terms/terms.js'

/** Appends all of the bytes and syncs them, or says why not; a disk that takes only a part is full. */
export async function writeAll(disk: Disk, path: string, bytes: Uint8Array): Promise<Outcome<void>> {
  const written = await disk.append(path, bytes)
  if (!written.ok) return written
  if (written.value < bytes.length) return bad('disk-full', `${disk.name}/${path}`)
  return disk.datasync(path)
}
