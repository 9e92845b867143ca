import { isCollectorSettings, readSettings, settingsFaultText, type Settings } from '../settings/settings.js'
import { faultText } from '../terms/terms.js'
import { knownGaugeLayouts } from './gauge-layouts.js'
import { knownLayouts } from './layouts.js'
import { readTextFile } from './read-text.js'

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
  const text = readTextFile(file)
  if (!text.ok) return { ok: false, lines: [faultText(text.fault)] }
  return checkSettingsText(text.value, file)
}

export function checkSettingsText(text: string, file: string): SettingsRead {
  const channels = new Map(
    knownLayouts().map((layout) => [layout.name, layout.fields.map((field) => field.channel)]),
  )
  const read = readSettings(text, file, channels, knownGaugeLayouts())
  if (read.ok) return { ok: true, settings: read.settings, text, notes: read.notes }
  const lines = read.faults.map(settingsFaultText)
  return { ok: false, lines: isCollectorSettings(text) ? [ofCollector(file), ...lines] : lines, text }
}

const ofCollector = (file: string): string =>
  `${file}: these are the settings of a collector, not of a station: motepost collect --settings ${file}`
