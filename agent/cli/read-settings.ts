import { readFileSync } from 'node:fs'
import { readSettings, settingsFaultText, type Settings } from '../settings/settings.js'
import { bad, faultText } from '../terms/terms.js'
import { knownLayouts } from './layouts.js'

export type SettingsRead =
  | {
      readonly ok: true
      readonly settings: Settings
      readonly text: string
      readonly notes: readonly string[]
    }
  /** Lines for a person, one a fault. */
  | { readonly ok: false; readonly lines: readonly string[]; readonly text?: string }

/** Reads and checks a settings file; whatever is wrong comes back as lines for a person. */
export function readSettingsFile(file: string): SettingsRead {
  let text: string
  try {
    text = readFileSync(file, 'utf8')
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    const why =
      code === 'ENOENT' ? 'no such file' : code === 'EISDIR' ? 'is a folder' : (code ?? 'cannot be read')
    return { ok: false, lines: [faultText(bad('settings-missing', `${file} (${why})`).fault)] }
  }
  return checkSettingsText(text, file)
}

export function checkSettingsText(text: string, file: string): SettingsRead {
  const channels = new Map(
    knownLayouts().map((layout) => [layout.name, layout.fields.map((field) => field.channel)]),
  )
  const read = readSettings(text, file, channels)
  if (read.ok) return { ok: true, settings: read.settings, text, notes: read.notes }
  return { ok: false, lines: read.faults.map(settingsFaultText), text }
}
