import {
  isCollectorSettings,
  readCollectorSettings,
  settingsFaultText,
  type CollectorSettings,
} from '../settings/settings.js'
import { faultText } from '../terms/terms.js'
import { readTextFile } from './read-text.js'

export type CollectorSettingsRead =
  | { readonly ok: true; readonly settings: CollectorSettings; readonly notes: readonly string[] }
  /** Lines for a person, one a fault. */
  | { readonly ok: false; readonly lines: readonly string[] }

/** Reads and checks the settings file of a collector; whatever is wrong comes back as lines for a person. */
export function readCollectorFile(file: string): CollectorSettingsRead {
  const text = readTextFile(file)
  return text.ok ? checkCollectorText(text.value, file) : { ok: false, lines: [faultText(text.fault)] }
}

export function checkCollectorText(text: string, file: string): CollectorSettingsRead {
  const read = readCollectorSettings(text, file)
  if (read.ok) return read
  const lines = read.faults.map(settingsFaultText)
  return { ok: false, lines: isCollectorSettings(text) ? lines : [notOfCollector(file), ...lines] }
}

const notOfCollector = (file: string): string =>
  `${file}: there is no block collector, so these are no settings of a collector: see config/collector.example.yaml`
