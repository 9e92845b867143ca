import { mkdirSync, renameSync, writeFileSync } from 'node:fs'
import { dirname, join, resolve } from 'node:path'

/**
 * The settings that last started a station, kept so that a broken edit does not leave a site unmeasured. They stand
 * beside the settings file where that folder can be written, else in the service's state folder.
 */
export function lastGoodPlaces(file: string): string[] {
  const name = `.${resolve(file).split('/').pop()}.last-good`
  const state = process.env.STATE_DIRECTORY?.split(':')[0]
  return [join(dirname(resolve(file)), name), ...(state ? [join(state, name)] : [])]
}

export function keepLastGood(file: string, text: string): void {
  for (const place of lastGoodPlaces(file)) {
    try {
      mkdirSync(dirname(place), { recursive: true })
      writeFileSync(`${place}.new`, text, { flush: true, mode: 0o600 })
      renameSync(`${place}.new`, place)
      return
    } catch {
      // A read-only settings folder is usual; the next place is tried.
    }
  }
}
