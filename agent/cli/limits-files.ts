import { readdirSync } from 'node:fs'
import { basename, join } from 'node:path'
import { parse } from 'yaml'
import {
  readCorrection,
  readLimitSet,
  readOwnLimits,
  type Correction,
  type Limit,
  type LimitSet,
  type PlainRead,
} from '../limits/limits.js'
import { unreadableYaml } from '../settings/yaml-guard.js'
import { bad, good, type Outcome } from '../terms/terms.js'
import { packageRoot } from './package-root.js'
import { readTextFile } from './read-text.js'

export const limitsFolder = join(packageRoot, 'config/limits')

/** Reads a file of limits; its set has the name of the file. Fault: limits-invalid, with file and key path. */
export function loadLimitSet(file: string): Outcome<LimitSet> {
  const read = readPlainFile(file, readLimitSet)
  if (!read.ok || read.value.name === basename(file, '.yaml')) return read
  return bad('limits-invalid', `${file}: set: must be ${basename(file, '.yaml')}, the name of the file`)
}

/** Every set in a folder, by name; the first file that cannot be used is the fault. */
export function loadLimitSets(folder = limitsFolder): Outcome<readonly LimitSet[]> {
  const sets: LimitSet[] = []
  for (const name of yamlNames(folder)) {
    const set = loadLimitSet(join(folder, name))
    if (!set.ok) return set
    const double = set.value.limits.find(({ id }) =>
      sets.some(({ limits }) => limits.some((l) => l.id === id)),
    )
    if (double) return bad('limits-invalid', `${join(folder, name)}: ${double.id} stands in another file too`)
    sets.push(set.value)
  }
  if (sets.length === 0) return bad('limits-invalid', `${folder}: no file of limits is there`)
  return good(sets)
}

/** Names of the sets there are. */
export const limitSetNames = (): string[] => yamlNames(limitsFolder).map((name) => basename(name, '.yaml'))

/** A folder that cannot be read has no sets. */
function yamlNames(folder: string): string[] {
  try {
    return readdirSync(folder)
      .filter((name) => name.endsWith('.yaml'))
      .sort()
  } catch {
    return []
  }
}

/** Reads a correction as `collocate` writes it. Fault: limits-invalid, with file and key path. */
export const loadCorrection = (file: string): Outcome<Correction> => readPlainFile(file, readCorrection)

/** Reads own action levels: a list as `limits.own` of the settings. Fault: limits-invalid, with file and key path. */
export const loadOwnLimits = (file: string): Outcome<readonly Limit[]> => readPlainFile(file, readOwnLimits)

function readPlainFile<T>(file: string, read: (value: unknown) => PlainRead<T>): Outcome<T> {
  const text = readTextFile(file)
  if (!text.ok) return bad('limits-invalid', text.fault.detail)
  const refused = unreadableYaml(text.value)
  if (refused !== undefined) return bad('limits-invalid', `${file}:${refused}`)
  let value: unknown
  try {
    value = parse(text.value, { maxAliasCount: 0 })
  } catch (error) {
    return bad('limits-invalid', `${file}: ${(error as Error).message.split('\n')[0]}`)
  }
  const outcome = read(value)
  if (outcome.ok) return good(outcome.value)
  return bad(
    'limits-invalid',
    outcome.faults.map(({ path, words }) => `${file}: ${path}: ${words}`).join('; '),
  )
}
