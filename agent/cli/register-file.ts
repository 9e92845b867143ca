/** `register.yaml` in the folder of an archive: read whole and guarded, changed without losing what a person wrote beside. */
import { existsSync } from 'node:fs'
import { join } from 'node:path'
import { isMap, isSeq, parseDocument, type Document, type YAMLMap } from 'yaml'
import {
  readRegister,
  settingsFaultText,
  type RegisteredStation,
  type SettingsFault,
} from '../settings/settings.js'
import { wrongUse, type Opened } from './desk.js'
import { readTextFile } from './read-text.js'
import { writeWhole } from './write-whole.js'

export const registerFile = (archive: string): string => join(archive, 'register.yaml')

/** No file is an empty register. */
export function loadRegister(archive: string): Opened<readonly RegisteredStation[]> {
  const read = registerText(archive)
  return read.ok ? checked(read.value, registerFile(archive)) : read
}

/** What people call the stations; none where the register cannot be read: `stations register` says why. */
export function registeredNames(archive: string): ReadonlyMap<string, string> {
  const stations = loadRegister(archive)
  const named = stations.ok ? stations.value : []
  return new Map(
    named.flatMap(({ station, name }): [string, string][] => (name === undefined ? [] : [[station, name]])),
  )
}

/** What is to be noted of a station. Lists grow, single values are replaced. */
export interface RegisterChange {
  readonly values: Readonly<Record<string, string | number>>
  readonly additions: Readonly<Record<string, readonly unknown[]>>
  /** Last day of the deployment that still stands open. */
  readonly ended?: string
}

/** Writes it only if the whole file passes afterwards. */
export function changeRegister(archive: string, station: string, change: RegisterChange): Opened<void> {
  const file = registerFile(archive)
  const read = registerText(archive)
  if (!read.ok) return read
  const before = checked(read.value, file)
  if (!before.ok) return before
  const document = parseDocument(read.value, { version: '1.2', schema: 'core' })
  const entry = entryOf(document, station)
  for (const [key, value] of Object.entries(change.values)) entry.set(key, value)
  for (const [key, items] of Object.entries(change.additions)) append(document, entry, key, items)
  if (change.ended !== undefined && !endDeployment(entry, change.ended))
    return wrongUse(`${station}: no deployment stands open that --removed could end`)
  const text = document.toString({ lineWidth: 0 })
  const after = readRegister(text, file)
  // What stood in the file passed before: whatever is wrong now came from the command line.
  if (!after.ok) return wrongUse(after.faults.map(optionFaultText).join('\n'))
  writeWhole(file, text, 0o640)
  return { ok: true, value: undefined }
}

/** By what a person typed, not by a line of a file that was never written. */
function optionFaultText({ keyPath, wrong, advice }: SettingsFault): string {
  const [, key = '', inner] = /^stations(?:\[\d+\]\.(\w+)(?:\[\d+\](?:\.(\w+))?)?)?/.exec(keyPath) ?? []
  const option = inner === 'to' ? '--removed' : (optionOf[key] ?? 'register')
  return `${option}: ${wrong}${advice === undefined ? '' : `; ${advice}`}`
}

const optionOf: Readonly<Record<string, string>> = {
  station: 'STATION',
  name: '--name',
  latitude: '--latitude',
  longitude: '--longitude',
  height_m: '--height',
  sources: '--source',
  deployments: '--deployed',
  notes: '--note',
  photos: '--photo',
}

const emptyRegister = 'stations: []\n'

function registerText(archive: string): Opened<string> {
  const file = registerFile(archive)
  if (!existsSync(archive)) return wrongUse(`there is no folder ${archive}`)
  if (!existsSync(file)) return { ok: true, value: emptyRegister }
  const text = readTextFile(file)
  return text.ok ? { ok: true, value: text.value } : wrongUse(text.fault.detail)
}

function checked(text: string, file: string): Opened<readonly RegisteredStation[]> {
  const read = readRegister(text, file)
  if (read.ok) return { ok: true, value: read.stations }
  return wrongUse(read.faults.map(settingsFaultText).join('\n'))
}

/** The station's group of keys, made where there is none. The document has passed the register's schema. */
function entryOf(document: Document, station: string): YAMLMap {
  const stations = document.get('stations')
  if (!isSeq(stations)) throw new Error('a register without its list')
  const known = stations.items.find((item) => isMap(item) && item.get('station') === station)
  if (known) return known as YAMLMap
  stations.flow = false
  const made = document.createNode({ station })
  stations.add(made)
  return made
}

function append(document: Document, entry: YAMLMap, key: string, items: readonly unknown[]): void {
  const list = entry.get(key)
  if (!isSeq(list)) return entry.set(key, document.createNode(items))
  list.flow = false
  for (const item of items) list.add(document.createNode(item))
}

function endDeployment(entry: YAMLMap, day: string): boolean {
  const list = entry.get('deployments')
  const open = isSeq(list) ? list.items.find((item) => isMap(item) && !item.has('to')) : undefined
  if (!isMap(open)) return false
  open.set('to', day)
  return true
}
