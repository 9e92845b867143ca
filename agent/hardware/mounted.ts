import { stat } from 'node:fs/promises'
import { dirname, resolve } from 'node:path'
import { bad, done, type Outcome } from '../terms/terms.js'

/**
 * Whether a folder, or the nearest one above it that is there, lies on another file system than the root: where it was to be
 * mounted and is not, what is left is an empty folder of the root file system. Fault: disk-not-mounted.
 */
export async function isMounted(folder: string): Promise<Outcome<void>> {
  for (let place = resolve(folder); ; place = dirname(place)) {
    const found = await stat(place).catch(() => undefined)
    if (!found && place !== '/') continue
    const root = await stat('/')
    return found && found.dev !== root.dev ? done : bad('disk-not-mounted', folder)
  }
}
