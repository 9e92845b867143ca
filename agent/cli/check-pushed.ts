/** What `check` says of settings from afar: which are in force here, and how somebody at the station is rid of them. */
import { settingsEventDetails, type Settings } from '../settings/settings.js'
import type { SettingsInForce } from '../station/station.js'
import type { Outcome } from '../terms/terms.js'
import type { CheckItem } from './check-items.js'
import type { Preparation } from './preparation.js'
import { inForceWords } from './run-trials.js'

const what = 'from afar'
const mostKeys = 12

/**
 * Nothing where there are none.
 * @param own the settings of the file alone
 * @param running what the running agent answered when it was asked for its status
 */
export function lookAtPushed(
  own: Settings,
  { plan, aside }: Preparation,
  running: Outcome<unknown>,
): CheckItem[] {
  const trial = trialOf(running)
  if (trial) {
    const words = `${inForceWords(trial)}. To end it now: restart the agent, or edit the settings file`
    return [{ what, well: true, words }]
  }
  if (aside) return [{ what, well: aside.isForGood, words: aside.words }]
  if (!plan?.pushed) return []
  const changed = changedKeys(settingsEventDetails(own), plan.eventDetails)
  const words = `${inForceWords({ from: 'pushed', ...plan.pushed })}: ${changed}. Editing the settings file by hand ends them`
  return [{ what, well: true, words }]
}

function trialOf(running: Outcome<unknown>): SettingsInForce | undefined {
  const { status } = Object(running.ok ? running.value : undefined) as {
    status?: { settings?: SettingsInForce }
  }
  return status?.settings?.from === 'trial' ? status.settings : undefined
}

/** Not of the settings themselves. */
const beside: ReadonlySet<string> = new Set(['hash', 'left_out', 'from_afar'])

function changedKeys(own: Readonly<Record<string, string>>, now: Readonly<Record<string, string>>): string {
  const keys = [...new Set([...Object.keys(own), ...Object.keys(now)])]
  const changed = keys.filter((key) => own[key] !== now[key] && !beside.has(key))
  const told = changed.slice(0, mostKeys).map((key) => `${key} ${now[key] ?? 'gone'}`)
  const more = changed.length - told.length
  return changed.length === 0
    ? 'they say what the file says'
    : [...told, ...(more > 0 ? [`${more} more`] : [])].join(', ')
}
