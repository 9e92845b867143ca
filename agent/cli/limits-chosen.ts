/** Which limits and corrections figures at the desk are set beside: by options, else by the settings. */
import { join } from 'node:path'
import {
  readOwnLimits,
  usualSet,
  type Correction,
  type Limit,
  type LimitSet,
  type Shown,
} from '../limits/limits.js'
import type { Settings } from '../settings/settings.js'
import { wrongUse, type Opened } from './desk.js'
import { limitsFolder, limitSetNames, loadCorrection, loadLimitSet, loadOwnLimits } from './limits-files.js'

export interface LimitOptions {
  /** Name of a set in config/limits. */
  readonly limits?: string
  /** A YAML list of own action levels. */
  readonly ownLimits?: string
  /** Files that `collocate` wrote; each belongs to one unit. */
  readonly correction?: readonly string[]
}

export interface Chosen {
  readonly shown: Shown
  readonly corrections: readonly Correction[]
}

/** @param settings of the station, where a settings file was read; options go before it */
export function chooseLimits(options: LimitOptions, settings: Settings | undefined): Opened<Chosen> {
  const named = options.limits ?? settings?.limits.set
  const names = limitSetNames()
  if (named !== undefined && !names.includes(named))
    return wrongUse(`--limits ${named}: there are ${names.join(', ')}`)
  // Only what is shown is read: a command must start fast.
  const sets: LimitSet[] = []
  for (const name of new Set([usualSet, named ?? usualSet])) {
    const set = loadLimitSet(join(limitsFolder, `${name}.yaml`))
    if (!set.ok) return { ok: false, code: 1, words: set.fault.detail }
    sets.push(set.value)
  }
  const own = ownLimits(options, settings)
  if (!own.ok) return own
  const corrections: Correction[] = []
  for (const file of options.correction ?? settings?.limits.correctionFiles ?? []) {
    const correction = loadCorrection(file)
    if (!correction.ok) return wrongUse(correction.fault.detail)
    corrections.push(correction.value)
  }
  const double = corrections.find((one, i) => corrections.findIndex((other) => isSameUnit(one, other)) < i)
  if (double) return wrongUse(`two corrections are for ${double.channel} of unit ${double.serial}; give one`)
  const shown: Shown = { sets, own: own.value, ...(named === undefined ? {} : { named }) }
  return { ok: true, value: { shown, corrections } }
}

const isSameUnit = (a: Correction, b: Correction): boolean =>
  a.serial === b.serial && a.channel === b.channel && a.scaling === b.scaling

function ownLimits(
  { ownLimits: file }: LimitOptions,
  settings: Settings | undefined,
): Opened<readonly Limit[]> {
  if (file !== undefined) {
    const read = loadOwnLimits(file)
    return read.ok ? { ok: true, value: read.value } : wrongUse(read.fault.detail)
  }
  const read = readOwnLimits(settings?.limits.own ?? [])
  if (read.ok) return { ok: true, value: read.value }
  return wrongUse(read.faults.map(({ path, words }) => `${path}: ${words}`).join('; '))
}

/** What is shown, for a heading: 'WHO 24-hour guideline; us-national; own levels'. */
export const chosenWords = ({ shown }: Chosen): string =>
  [
    `${usualSet} (24 h)`,
    ...(shown.named === undefined || shown.named === usualSet ? [] : [shown.named]),
    ...(shown.own.length > 0 ? ['own levels'] : []),
  ].join(', ')
