/** Settings from afar: what of a pushed text may stand over the person's own settings, and what is wrong with the rest. */
import { stringify } from 'yaml'
import { crossFindings, type KnownLayouts } from './crosschecks.js'
import type { KnownGaugeLayouts } from './crosschecks-gauges.js'
import { pathText, type KeyPath, type SettingsFault } from './fault.js'
import { schemaFindings, withoutEchoes } from './keys.js'
import { atKey, Look, valueAt, type Finding } from './look.js'
import { openKeys, openLists } from './open-keys.js'
import { textKeys } from './patterns.js'
import { allFaults } from './placed.js'
import { settingsSchema } from './schema.js'
import { settingsOf, type Settings } from './shape.js'
import { readYaml } from './yaml-text.js'

export interface PushedTexts {
  /** The person's own file; it is well. */
  readonly own: string
  /** What was pushed and confirmed before and still stands over it. */
  readonly kept?: string
  /** A part of the settings, or all of them: closed keys may stand in it with the values that they have. */
  readonly pushed: string
}

export type PushedOutcome =
  | {
      readonly ok: true
      readonly settings: Settings
      /** What now stands over the own file, open keys only: to be kept. */
      readonly kept: string
    }
  | { readonly ok: false; readonly faults: readonly SettingsFault[] }

/**
 * Groups are merged key by key, lists are replaced whole. The result passes the checks of a settings file.
 * @param fileName stands before each fault, which is placed in the pushed text
 */
export function readPushed(
  { own, kept, pushed }: PushedTexts,
  fileName: string,
  layouts?: KnownLayouts,
  gaugeLayouts?: KnownGaugeLayouts,
): PushedOutcome {
  const yaml = readYaml(pushed, textKeys)
  const owned = readYaml(own, textKeys).value
  const part = openPart(yaml.value, owned, [])
  const over = merged(kept === undefined ? undefined : readYaml(kept, textKeys).value, part.open)
  // What is closed is judged as well, so that all faults are told at once.
  const whole = merged(merged(owned, over), yaml.value)
  const isRead = yaml.value !== undefined
  const findings = isRead
    ? [...schemaFindings(whole), ...crossFindings(new Look(whole), layouts, gaugeLayouts)]
    : []
  const told = new Set(findings.map(({ path }) => pathText(path)))
  const unknown = new Set(
    findings.filter(({ verdict }) => verdict.code === 'unknown-key').map(({ path }) => pathText(path)),
  )
  const isTold = (path: KeyPath): boolean =>
    told.has(pathText(path)) || path.some((_, i) => unknown.has(pathText(path.slice(0, i))))
  const closed = part.closed.filter((path) => !isTold(path)).map(closedFinding)
  const faults = allFaults(yaml, withoutEchoes([...findings, ...closed]), fileName)
  if (faults.length > 0 || part.closed.length > 0) return { ok: false, faults }
  const settings = settingsOf(settingsSchema.parse(merged(owned, over)))
  return { ok: true, settings, kept: stringify(over ?? {}) }
}

const closedFinding = (path: KeyPath): Finding =>
  atKey(path, {
    code: 'closed-key',
    wrong: 'cannot be set from afar',
    advice: 'leave it out, or change it in the file at the station',
  })

const isMap = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

function merged(under: unknown, over: unknown): unknown {
  if (over === undefined) return under
  if (!isMap(under) || !isMap(over)) return over
  const both = Object.assign(Object.create(null), under) as Record<string, unknown>
  for (const [key, value] of Object.entries(over)) both[key] = merged(both[key], value)
  return both
}

interface Part {
  readonly open: unknown
  readonly closed: readonly KeyPath[]
}

const patternOf = (path: KeyPath): string => pathText(path).replace(/\[\d+\]/g, '[]')

/** Closed keys that say what the own file says are left out; with another value they are closed. */
function openPart(value: unknown, own: unknown, path: KeyPath): Part {
  const name = patternOf(path)
  if (Array.isArray(value) && openLists.has(name)) return { open: value, closed: closedInside(value, path) }
  if (isMap(value)) return openMap(value, own, path)
  if (openKeys.has(name)) return { open: value, closed: [] }
  const other = otherThan(value, own, path)
  return { open: undefined, closed: other ? [other] : [] }
}

function openMap(value: Record<string, unknown>, own: unknown, path: KeyPath): Part {
  const keys = Object.keys(value)
  if (keys.length === 0) return { open: undefined, closed: path.length === 0 || isMap(own) ? [] : [path] }
  const open = Object.create(null) as Record<string, unknown>
  const closed: KeyPath[] = []
  for (const key of keys) {
    const part = openPart(value[key], valueAt(own, [key]), [...path, key])
    if (part.open !== undefined) open[key] = part.open
    closed.push(...part.closed)
  }
  return { open: Object.keys(open).length > 0 ? open : undefined, closed }
}

/** Leaves of an open list that are not named as open. */
function closedInside(value: unknown, path: KeyPath): KeyPath[] {
  if (Array.isArray(value)) return value.flatMap((one, i) => closedInside(one, [...path, i]))
  if (isMap(value)) return Object.entries(value).flatMap(([key, one]) => closedInside(one, [...path, key]))
  return openKeys.has(patternOf(path)) ? [] : [path]
}

/** The first place at which it says something else than the own file. */
function otherThan(value: unknown, own: unknown, path: KeyPath): KeyPath | undefined {
  const isGroup = isMap(value) || Array.isArray(value)
  if (!isGroup) return value === own ? undefined : path
  if (typeof own !== 'object' || own === null || Array.isArray(value) !== Array.isArray(own)) return path
  for (const [key, one] of Object.entries(value)) {
    const at = Array.isArray(value) ? Number(key) : key
    const other = otherThan(one, valueAt(own, [at]), [...path, at])
    if (other) return other
  }
  return Object.keys(own).length === Object.keys(value).length ? undefined : path
}
