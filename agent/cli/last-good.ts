import { readFileSync } from 'node:fs'
import { lastGoodPlaces } from './keep-last-good.js'
import { checkSettingsText, type SettingsRead } from './read-settings.js'

/** The last good settings of this file; undefined when there are none that still check. */
export function readLastGood(file: string): Extract<SettingsRead, { ok: true }> | undefined {
  for (const place of lastGoodPlaces(file)) {
    try {
      const read = checkSettingsText(readFileSync(place, 'utf8'), place)
      if (read.ok) return read
    } catch {
      // Not kept here.
    }
  }
  return undefined
}
