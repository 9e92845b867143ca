import { cellText, type Disk } from '../terms/terms.js'
import { seedOf, storedLine } from './stored-line.js'
import { writeAll } from './write-all.js'

/**
 * Adds lines to a file that is kept for people: damaged or refused lines. Best effort: what does not fit, or cannot be
 * written, was counted all the same.
 */
export async function setAside(
  disk: Disk,
  storeId: string,
  name: string,
  texts: readonly string[],
  mostBytes: number,
): Promise<void> {
  const seed = seedOf(storeId, name)
  const size = await disk.size(name)
  if (!size.ok && size.fault.code !== 'disk-missing') return
  let room = mostBytes - (size.ok ? size.value : 0)
  const kept: Buffer[] = []
  for (const text of texts) {
    const bytes = Buffer.from(storedLine(text, seed))
    room -= bytes.length
    if (room < 0) break
    kept.push(bytes)
  }
  if (kept.length > 0) await writeAll(disk, name, Buffer.concat(kept))
}

export const damagedText = (
  file: string,
  damaged: { offset: number; length: number; head: Buffer },
): string => `damaged,,${file},${damaged.offset},${damaged.length},${cellText(damaged.head.toString())}`
