import type { Layout } from '../instruments/instruments.js'
import {
  measuringHash,
  settingsEventDetails,
  standardOffsetMinutes,
  type Settings,
} from '../settings/settings.js'
import { faultText, good, type Outcome } from '../terms/terms.js'
import { dayLevels, type DayLevels } from './day-levels.js'
import type { GaugeLayouts } from './gauge-channels.js'
import { gaugeLayoutFile, gaugeLayoutsOf } from './gauge-layouts.js'
import { hasItsCommands } from './instrument-commands.js'
import { readLastGood } from './last-good.js'
import { layoutFile, loadLayout } from './layouts.js'
import { readSettingsFile, type SettingsRead } from './read-settings.js'
import { stampOf } from './watch-files.js'

/** Everything a station needs to know before it starts: plain data that can be handed from one process to another. */
export interface Plan {
  readonly settings: Settings
  /** Of the person's own file, without what may have been laid over it from afar. */
  readonly text: string
  /** Of each instrument, in order. */
  readonly layouts: readonly Layout[]
  readonly gaugeLayouts: GaugeLayouts
  /** Local standard time, minutes ahead of UTC. */
  readonly standardOffsetMinutes: number
  /** The settings without secrets, for the event line that is written when they changed. */
  readonly eventDetails: Readonly<Record<string, string>>
  /** Of what a group has alike; see measuringHash. */
  readonly measuring: string
  /** As in force on the day of the start. */
  readonly dayLevels: DayLevels
  /** The settings from afar that stand in it: the id of their trial, and the name of the key that signed them. */
  readonly pushed?: { readonly id: string; readonly by: string }
}

/** Settings from afar that were kept and are not in force. */
export interface PushedAside {
  readonly words: string
  /** No later start can use them. */
  readonly isForGood: boolean
}

export interface Preparation {
  /** From the settings file, or else from those that last worked; absent when neither can be used. */
  readonly plan?: Plan
  /** What is wrong with the settings file, lines for a person; empty when nothing is. */
  readonly wrong: readonly string[]
  /** Worth knowing, nothing to repair. */
  readonly notes: readonly string[]
  /** The settings file and the layouts it names, and what they were when they were read: others are worth another look. */
  readonly files: readonly string[]
  readonly stamp: string
  readonly aside?: PushedAside
}

/**
 * Reads the settings file and the layouts it names; where they cannot be used, the settings that last worked with the
 * layouts those name.
 */
export function prepare(file: string): Preparation {
  const fileStamp = stampOf([file])
  const read = readSettingsFile(file)
  const layouts = read.ok ? layoutFilesOf(read.settings) : []
  const files = [file, ...new Set(layouts)]
  const seen = { files, stamp: fileStamp + stampOf(files.slice(1)) }
  const planned = read.ok ? planOf(read) : undefined
  if (read.ok && planned?.ok) return { plan: planned.value, wrong: [], notes: read.notes, ...seen }
  const wrong = planned?.ok === false ? [faultText(planned.fault)] : read.ok ? [] : read.lines
  const spare = prepareLastGood(file)
  return { ...(spare ? { plan: spare } : {}), wrong, notes: [], ...seen }
}

const layoutFilesOf = ({ instruments, gauges }: Settings): string[] => [
  ...instruments.map(({ layout }) => layoutFile(layout)),
  ...gauges.flatMap((gauge) => ('layout' in gauge ? [gaugeLayoutFile(gauge.layout)] : [])),
]

/** What last worked, with the layouts as they are now; undefined when there is none that still can. */
export function prepareLastGood(file: string): Plan | undefined {
  const lastGood = readLastGood(file)
  const plan = lastGood && planOf(lastGood)
  return plan?.ok ? plan.value : undefined
}

export function planOf({
  settings,
  text,
}: Pick<Extract<SettingsRead, { ok: true }>, 'settings' | 'text'>): Outcome<Plan> {
  const layouts: Layout[] = []
  for (const instrument of settings.instruments) {
    const loaded = loadLayout(instrument.layout)
    if (!loaded.ok) return loaded
    const able = hasItsCommands(instrument, loaded.value)
    if (!able.ok) return able
    layouts.push(loaded.value)
  }
  const gaugeLayouts = gaugeLayoutsOf(settings)
  if (!gaugeLayouts.ok) return gaugeLayouts
  return good({
    settings,
    text,
    layouts,
    gaugeLayouts: gaugeLayouts.value,
    standardOffsetMinutes: standardOffsetMinutes(settings),
    eventDetails: settingsEventDetails(settings),
    measuring: measuringHash(settings),
    dayLevels: dayLevels(settings, new Date().toISOString().slice(0, 10)),
  })
}
