/** The settings in a support bundle: those in force without what is nobody's business, and what is wrong with the file. */
import {
  dataFolderIn,
  faultForOthers,
  readSettings,
  settingsForOthers,
  type Settings,
} from '../settings/settings.js'
import { knownGaugeLayouts } from './gauge-layouts.js'
import { readLastGood } from './last-good.js'
import { knownLayouts } from './layouts.js'
import { readTextFile } from './read-text.js'

export interface SettingsFacts {
  /** Of the file, or those that last worked; absent where neither can be used. */
  readonly settings?: Settings
  /** Also of a file that cannot be used, as far as it says so. */
  readonly dataFolder?: string
  readonly facts: Record<string, unknown>
}

export function settingsFacts(file: string): SettingsFacts {
  const text = readTextFile(file)
  if (!text.ok) return withSpare(file, { file: 'cannot be read', why: text.fault.code })
  const channels = new Map(
    knownLayouts().map(({ name, fields }) => [name, fields.map(({ channel }) => channel)]),
  )
  const read = readSettings(text.value, file, channels, knownGaugeLayouts())
  if (!read.ok)
    return withSpare(file, { file: 'broken', faults: read.faults.map(faultForOthers) }, text.value)
  const { settings, notes } = read
  return of(settings, { file: 'well', notes: notes.length, shown: 'those of the file' })
}

function withSpare(file: string, facts: Record<string, unknown>, text?: string): SettingsFacts {
  const spare = readLastGood(file)
  if (spare) return of(spare.settings, { ...facts, shown: 'those that last worked' })
  const dataFolder = text === undefined ? undefined : dataFolderIn(text)
  return { facts: { ...facts, shown: 'none' }, ...(dataFolder === undefined ? {} : { dataFolder }) }
}

/** What the place looks like helps nobody to repair the station. */
function of(settings: Settings, facts: Record<string, unknown>): SettingsFacts {
  const { site, ...shown } = settingsForOthers(settings) as Record<string, unknown>
  return {
    settings,
    dataFolder: settings.data.folder,
    facts: { ...facts, site: site === undefined ? 'not set' : 'set', values: shown },
  }
}
