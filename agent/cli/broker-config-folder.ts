/**
 * The folder that broker-config writes: `mosquitto/` for the machine of the broker, `ca/` to be kept away from it,
 * `stations/<name>/`, `collector/` and `operator/` for those who connect. Folders 0700, files 0600, each written whole or not.
 */
import { existsSync, mkdirSync, readFileSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { usersIn } from './broker-config-secrets.js'
import { collectorUser, operatorUser, specialUsers, type BrokerPlan } from './broker-config-texts.js'
import { writeWhole } from './write-whole.js'

const aboutVersion = 1

export interface BrokerFolder {
  readonly folder: string
  path(name: string): string
  read(name: string): string | undefined
  write(name: string, text: string): void
  remove(name: string): void
}

export function brokerFolder(folder: string): BrokerFolder {
  const path = (name: string): string => join(folder, name)
  return {
    folder,
    path,
    read: (name) => (existsSync(path(name)) ? readFileSync(path(name), 'utf8') : undefined),
    write: (name, text) => writeWhole(path(name), text),
    remove: (name) => rmSync(path(name), { recursive: true, force: true }),
  }
}

export function makeFolder(path: string): void {
  mkdirSync(path, { recursive: true, mode: 0o700 })
}

/** The plan as it was written the last time; undefined where there is none, a text where it cannot be read. */
export function planIn(folder: BrokerFolder): BrokerPlan | undefined | string {
  const text = folder.read('about.json')
  if (text === undefined) return undefined
  try {
    const { v, ...plan } = JSON.parse(text) as BrokerPlan & { v: number }
    return v === aboutVersion
      ? plan
      : `${folder.path('about.json')}: version ${v}, this program knows ${aboutVersion}`
  } catch {
    return `${folder.path('about.json')} cannot be read`
  }
}

export const writePlan = (folder: BrokerFolder, plan: BrokerPlan): void =>
  folder.write('about.json', JSON.stringify({ v: aboutVersion, ...plan }, undefined, 1) + '\n')

const passwords = 'mosquitto/passwords'

export const usersOf = (folder: BrokerFolder): Map<string, string> => usersIn(folder.read(passwords) ?? '')

export const writeUsers = (folder: BrokerFolder, users: ReadonlyMap<string, string>): void =>
  folder.write(passwords, [...users.values()].map((line) => line + '\n').join(''))

export const stationsOf = (users: ReadonlyMap<string, string>): string[] =>
  [...users.keys()].filter((user) => !specialUsers.includes(user)).sort()

/** Where the files of a user stand. */
export function bundleOf(user: string): string {
  if (user === collectorUser) return 'collector'
  return user === operatorUser ? 'operator' : `stations/${user}`
}
