/** What `check` prints a line of, and the looks that settings of a station and of a collector have in common. */
import { openFolder } from '../hardware/disk.js'
import { bad, faultText, type Disk, type Outcome } from '../terms/terms.js'

export interface CheckItem {
  readonly what: string
  readonly well: boolean
  readonly words: string
}

/** Less lasts for some weeks of records only. */
const leastFreeBytes = 100e6

/** @param words of what is well; what is not says its fault */
export const item = (what: string, words: string, outcome: Outcome<unknown>): CheckItem =>
  outcome.ok ? { what, well: true, words } : { what, well: false, words: faultText(outcome.fault) }

/** Makes the folder where it is missing, and leaves nothing in it. */
export async function tryFolder(what: string, folder: string, mustBeMounted = false): Promise<CheckItem> {
  const disk = await openFolder(folder, { create: true, mustBeMounted })
  if (!disk.ok) return item(what, '', disk)
  const free = await disk.value.freeBytes()
  const written = await tryWriting(disk.value)
  if (!written.ok) return item(what, '', written)
  if (!free.ok) return item(what, '', free)
  if (free.value < leastFreeBytes)
    return item(what, '', bad('disk-full', `${folder} has ${(free.value / 1e6).toFixed(0)} MB free`))
  return { what, well: true, words: `${folder} can be written, ${(free.value / 1e9).toFixed(1)} GB free` }
}

/** Rights and free space may look well on a disk that takes no byte. A name of its own: two checks may run at once. */
async function tryWriting(disk: Disk): Promise<Outcome<unknown>> {
  const name = `.check-${process.pid}`
  const written = await disk.append(name, Buffer.from('motepost check\n'))
  const synced = written.ok ? await disk.datasync(name) : written
  const isThere = (await disk.size(name)).ok
  const removed = isThere ? await disk.remove(name) : synced
  return synced.ok ? removed : synced
}
