/** What every command at the desk begins with: the folder it was given, and the store or stores in it. Nothing is written. */
import { existsSync, readdirSync } from 'node:fs'
import { join } from 'node:path'
import { DeskDisk, openFolder, type FolderDisk } from '../hardware/disk.js'
import type { Settings } from '../settings/settings.js'
import { folderFiles, readStoreFolder, type FolderFiles, type StoreFolder } from '../store/store.js'
import { faultText, type Fault } from '../terms/terms.js'
import { subfolders, truePath } from './subfolders.js'

export interface DeskOptions {
  /** A station's store, a collector's archive, a copy of one, or a folder that holds some. */
  readonly store?: string
  /** Which of several: a store id, the beginning of one, or a station's name. */
  readonly storeId?: string
  readonly settings?: string
  readonly json?: boolean
}

export interface DeskStore extends StoreFolder, Pick<FolderFiles, 'files' | 'isArchive' | 'others'> {
  readonly folder: string
  readonly disk: FolderDisk
}

export type Opened<T> =
  | { readonly ok: true; readonly value: T }
  /** Exit code and a line for a person. */
  | { readonly ok: false; readonly code: 1 | 2; readonly words: string }

export const wrongUse = (words: string): { ok: false; code: 2; words: string } => ({
  ok: false,
  code: 2,
  words,
})

export const usualSettingsFile = '/etc/motepost/station.yaml'
/** A folder kept by the demo has its archives three folders down. */
const deepest = 3
/** A collector of ten thousand stations has two for each. */
const mostFolders = 30_000

/** Faults that mean that the wrong folder was named; the others are troubles with the right one. */
const misnamed: readonly string[] = ['disk-missing', 'disk-not-folder', 'store-foreign']

export const asProblem = (fault: Fault): { ok: false; code: 1 | 2; words: string } => ({
  ok: false,
  code: misnamed.includes(fault.code) ? 2 : 1,
  words: faultText(fault),
})

export interface Where {
  readonly folder: string
  /** Where a settings file was named or had to be read. */
  readonly settings?: Settings
}

/** The folder of `--store`, or the one that the settings name. */
export async function whereToLook(options: DeskOptions): Promise<Opened<Where>> {
  const file = options.settings ?? usualSettingsFile
  if (options.store !== undefined && options.settings === undefined)
    return { ok: true, value: { folder: options.store } }
  if (options.settings === undefined && !existsSync(file))
    return wrongUse('name the folder to read with --store FOLDER (there is no settings file that names one)')
  // Schema and YAML are loaded for those who read settings only: half of the time that a command takes to start.
  const { readSettingsFile } = await import('./read-settings.js')
  const read = readSettingsFile(file)
  if (!read.ok) return wrongUse([...read.lines, 'or name the folder to read with --store FOLDER'].join('\n'))
  return {
    ok: true,
    value: { folder: options.store ?? read.settings.data.folder, settings: read.settings },
  }
}

/** The one store that is meant; where there are several, `--store-id` says which. */
export async function openOneStore(folder: string, storeId: string | undefined): Promise<Opened<DeskStore>> {
  const found = await openStores(folder, storeId)
  if (!found.ok) return found
  const [first, ...more] = found.value
  if (more.length === 0) return { ok: true, value: first }
  const list = found.value.map((one) => `  ${one.storeId}  ${one.station}  ${one.folder}`)
  return wrongUse(
    [`${folder} holds ${found.value.length} stores; say which with --store-id:`, ...list].join('\n'),
  )
}

/** All stores in a folder, by name of folder; at least one. */
export async function openStores(folder: string, storeId?: string): Promise<Opened<DeskStore[]>> {
  const top = await openFolder(folder, { create: false })
  if (!top.ok) return notOpened(top.fault, folder)
  const stores: DeskStore[] = []
  for (const place of foldersOfStores(folder)) {
    const opened = await openStoreAt(place)
    if (!opened.ok) return opened
    stores.push(opened.value)
  }
  if (stores.length === 0) return wrongUse(`${folder} holds no store: ${whatIsThere(folder)}`)
  if (storeId === undefined) return { ok: true, value: stores }
  const meant = stores.filter((one) => one.storeId.startsWith(storeId) || one.station === storeId)
  if (meant.length > 0) return { ok: true, value: meant }
  const list = stores.map((one) => `  ${one.storeId}  ${one.station}`)
  return wrongUse([`no store here is '${storeId}'; there are:`, ...list].join('\n'))
}

export function notOpened(fault: Fault, folder: string): { ok: false; code: 1 | 2; words: string } {
  if (fault.code === 'disk-missing') return wrongUse(`there is no folder ${folder}`)
  if (fault.code === 'disk-not-folder') return wrongUse(`${folder} is a file; name the folder it lies in`)
  if (fault.code === 'disk-denied') return { ok: false, code: 1, words: `no permission to read ${folder}` }
  return asProblem(fault)
}

async function openStoreAt(folder: string): Promise<Opened<DeskStore>> {
  const disk = new DeskDisk(folder)
  const store = await readStoreFolder(disk)
  if (!store.ok) return asProblem(store.fault)
  const files = await folderFiles(disk)
  if (!files.ok) return asProblem(files.fault)
  const { files: names = [], isArchive = false, others = [] } = files.value ?? {}
  return { ok: true, value: { ...store.value, files: names, isArchive, others, folder, disk } }
}

const looksLikeStore = (name: string): boolean => name === 'store.json' || /^lines-\d.*\.csv$/.test(name)

/** Folders that look like a store, at most three below this one. */
export function foldersOfStores(top: string): string[] {
  const found: string[] = []
  let looked = 0
  const seen = new Set<string>()
  const look = (folder: string, depth: number): void => {
    const place = truePath(folder)
    if (looked++ > mostFolders || seen.has(place)) return
    seen.add(place)
    const entries = entriesOf(folder)
    if (entries.some((entry) => entry.isFile() && looksLikeStore(entry.name))) found.push(folder)
    else if (depth < deepest)
      for (const name of subfolders(folder).sort()) look(join(folder, name), depth + 1)
  }
  look(top, 0)
  return found
}

function entriesOf(folder: string) {
  try {
    return readdirSync(folder, { withFileTypes: true }).sort((a, b) => (a.name < b.name ? -1 : 1))
  } catch {
    return []
  }
}

export function whatIsThere(folder: string): string {
  const names = entriesOf(folder).map(({ name }) => name)
  if (names.length === 0) return 'it is empty'
  return `store.json and lines-….csv are not there (found ${names.slice(0, 3).join(', ')}${names.length > 3 ? ' …' : ''})`
}

/** Says what is wrong where somebody looks for it. @returns the exit code */
export function refuse({ code, words }: { code: 1 | 2; words: string }): 1 | 2 {
  process.stderr.write(words + '\n')
  return code
}

/** Prints to the end, also into a slow pipe; a reader that has gone away wants nothing more. */
export function say(text: string): Promise<void> {
  const { stdout } = process
  return new Promise((resolve) => {
    const told = (): void => {
      stdout.off('error', told)
      resolve()
    }
    stdout.once('error', told)
    stdout.write(text + '\n', told)
  })
}
