import { readFileSync } from 'node:fs'
import {
  readSettings,
  settingsFaultText,
  type KnownLayouts,
  type Settings,
  type SettingsFault,
} from '../../agent/settings/settings.js'

const root = new URL('../../', import.meta.url)
export const configText = (name: string): string => readFileSync(new URL(`config/${name}`, root), 'utf8')
export const configUrl = (name: string): URL => new URL(`config/${name}`, root)

/** Eight lines without a fault; tests add lines below, or replace one of them. */
export const base = `version: 1
station:
  name: north-fence
  time_zone: UTC
instruments:
  - layout: frames-424d-32
    port: /dev/sensor
data:
  folder: /var/lib/motepost
`

export function goodSettings(text: string, layouts?: KnownLayouts): Settings {
  const read = readSettings(text, 'north.yaml', layouts)
  if (!read.ok) throw new Error(read.faults.map(settingsFaultText).join('\n'))
  return read.settings
}

export function faultsOf(text: string, layouts?: KnownLayouts): readonly SettingsFault[] {
  const read = readSettings(text, 'north.yaml', layouts)
  return read.ok ? [] : read.faults
}

/** 'line:column key code' of each fault. */
export const marks = (text: string, layouts?: KnownLayouts): string[] =>
  faultsOf(text, layouts).map((fault) => `${fault.line}:${fault.column} ${fault.keyPath} ${fault.code}`)

export const lines = (text: string): string[] => faultsOf(text).map(settingsFaultText)

/** One alert below the base: it begins in line 10, and its keys in column 5. */
export const withAlert = (...keys: string[]): string => `${base}alerts:\n  - ${keys.join('\n    ')}\n`

/** Names of all keys of a JSON Schema. */
export function keysOf(schema: unknown): string[] {
  if (typeof schema !== 'object' || schema === null) return []
  const properties = (schema as { properties?: Record<string, unknown> }).properties ?? {}
  const names = (schema as { propertyNames?: { enum?: string[] } }).propertyNames?.enum ?? []
  return [...Object.keys(properties), ...names, ...Object.values(schema).flatMap(keysOf)]
}
