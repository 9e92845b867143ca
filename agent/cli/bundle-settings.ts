/** The settings in a support bundle: those in force without what is nobody's business, and what is wrong with the file. */
import {
  dataFolderIn,
  faultForOthers,
  readSettings,
  settingsForOthers,
  type Settings,
} from '../settings/settings.js'
import { knownGaugeLayouts } from './gauge-layouts.js'
import { knownLayouts } from './layouts.js'
import { prepareWithPushed } from './pushed-plan.js'
import { readTextFile } from './read-text.js'

export interface SettingsFacts {
  /** Of the file, or those that last worked; absent where neither can be used. */
  readonly settings?: Settings
  /** Also of a file that cannot be used, as far as it says so. */
  readonly dataFolder?: string
  readonly facts: Record<string, unknown>
}

/** What a start would run on now, the agent's own way: the file or what last worked, with settings from afar that are kept. */
export async function settingsFacts(file: string): Promise<SettingsFacts> {
  const { facts, text } = fileFacts(file)
  const { plan, wrong, aside } = await prepareWithPushed(file)
  const named =
    facts.file === 'well' && wrong.length > 0 ? { layouts: 'one that is named cannot be used' } : {}
  if (!plan) {
    const dataFolder = text === undefined ? undefined : dataFolderIn(text)
    return {
      facts: { ...facts, ...named, shown: 'none' },
      ...(dataFolder === undefined ? {} : { dataFolder }),
    }
  }
  const { settings, pushed } = plan
  // What the place looks like helps nobody to repair the station.
  const { site, ...values } = settingsForOthers(settings) as Record<string, unknown>
  return {
    settings,
    dataFolder: settings.data.folder,
    facts: {
      ...facts,
      ...named,
      shown: wrong.length === 0 ? 'those of the file' : 'those that last worked',
      from_afar: pushed ? 'laid over them' : aside ? 'void' : 'none',
      site: site === undefined ? 'not set' : 'set',
      values,
    },
  }
}

/** Of the file itself. */
function fileFacts(file: string): { readonly facts: Record<string, unknown>; readonly text?: string } {
  const text = readTextFile(file)
  if (!text.ok) return { facts: { file: 'cannot be read', why: text.fault.code } }
  const channels = new Map(
    knownLayouts().map(({ name, fields }) => [name, fields.map(({ channel }) => channel)]),
  )
  const read = readSettings(text.value, file, channels, knownGaugeLayouts())
  const facts = read.ok
    ? { file: 'well', notes: read.notes.length }
    : { file: 'broken', faults: read.faults.map(faultForOthers) }
  return { facts, text: text.value }
}
