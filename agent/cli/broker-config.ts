/** `stations broker-config` and `stations revoke`: who may say and hear what at a general-purpose broker. */
import { existsSync } from 'node:fs'
import { isIP } from 'node:net'
import { isAbsolute } from 'node:path'
import {
  isStillGood,
  lastDay,
  makeAuthority,
  makeServerCertificate,
  serverCertificateEnds,
} from './broker-config-certs.js'
import {
  brokerFolder,
  bundleOf,
  makeFolder,
  planIn,
  stationsOf,
  usersOf,
  writePlan,
  writeUsers,
  type BrokerFolder,
} from './broker-config-folder.js'
import { newPassword, passwordLine } from './broker-config-secrets.js'
import {
  brokerAcl,
  brokerConf,
  collectorLines,
  collectorUser,
  operatorLines,
  operatorUser,
  specialUsers,
  uplinkLines,
  type BrokerPlan,
} from './broker-config-texts.js'
import { revokedText, writtenText } from './broker-config-words.js'

export interface BrokerConfigOptions {
  readonly group?: string
  readonly host?: readonly string[]
  readonly station?: readonly string[]
  readonly port?: string
  readonly at?: string
  readonly json?: boolean
}

const usualPort = 8883
const usualPlace = '/etc/mosquitto/motepost'
const shortName = /^[a-z0-9-]{1,32}$/
const hostName = /^(?=.{1,253}$)[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$/

/** What was done, for words and JSON. */
export interface Written {
  readonly folder: string
  readonly plan: BrokerPlan
  readonly stations: readonly string[]
  readonly added: readonly string[]
  readonly certificateEnds: string
}

/** Exit codes: 0 written, 1 it cannot be written, 2 wrong use. */
export function brokerConfig(path: string, options: BrokerConfigOptions, now: Date): number {
  const folder = brokerFolder(path)
  const before = planIn(folder)
  const plan = typeof before === 'string' ? before : planOf(before, options)
  if (typeof plan === 'string') return told(plan, 2)
  return kept(() => {
    const written = write(folder, plan, options.station ?? [], now)
    if (typeof written === 'string') return told(written, 1)
    process.stdout.write(options.json ? JSON.stringify({ v: 1, ...written }) + '\n' : writtenText(written))
    return 0
  })
}

/** Takes a user's way in. Exit codes as above; 2 also for a user that is not there. */
export function revoke(path: string, user: string): number {
  const folder = brokerFolder(path)
  const plan = planIn(folder)
  if (plan === undefined) return told(`${path} is no folder that stations broker-config wrote`, 2)
  if (typeof plan === 'string') return told(plan, 2)
  const users = usersOf(folder)
  if (!users.delete(user))
    return told(`${path}: no user '${user}'; there are ${[...usersOf(folder).keys()].join(', ')}`, 2)
  return kept(() => {
    writeUsers(folder, users)
    folder.remove(bundleOf(user))
    process.stdout.write(revokedText(path, plan, user))
    return 0
  })
}

function told(words: string, code: 1 | 2): number {
  process.stderr.write(words + '\n')
  return code
}

/** What the disk does not allow comes back as its words. */
function kept(act: () => number): number {
  try {
    return act()
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException
    if (code === undefined) throw error
    return told(message, 1)
  }
}

/** The plan there was with what is new, or what is wrong. */
function planOf(before: BrokerPlan | undefined, options: BrokerConfigOptions): BrokerPlan | string {
  const group = options.group ?? before?.group
  const hosts = options.host ?? before?.hosts
  if (group === undefined) return 'name the group of the stations with --group'
  if (hosts === undefined) return 'name with --host how the stations reach the broker: its name or address'
  if (before && group !== before.group) return `--group ${group}: this folder is of the group ${before.group}`
  const names = [group, ...(options.station ?? [])]
  const wrongName = names.find((name) => !shortName.test(name))
  if (wrongName !== undefined) return `'${wrongName}': expected 1 to 32 small letters, digits and hyphens`
  const wrongHost = hosts.find((host) => !isIP(host) && !hostName.test(host))
  if (wrongHost !== undefined) return `--host ${wrongHost}: expected a host name or an address, without port`
  const port = Number(options.port ?? before?.port ?? usualPort)
  if (!Number.isInteger(port) || port < 1 || port > 65535)
    return `--port ${options.port}: expected 1 to 65535`
  const at = options.at ?? before?.at ?? usualPlace
  if (!isAbsolute(at) || /\s/.test(at)) return `--at ${at}: expected a whole path without spaces`
  return { group, hosts, port, at: at.replace(/\/+$/, '') }
}

/** Secrets that are there are kept. A user's file comes before the line by which the broker knows it. */
function write(
  folder: BrokerFolder,
  plan: BrokerPlan,
  wanted: readonly string[],
  now: Date,
): Written | string {
  for (const name of ['ca', 'mosquitto']) makeFolder(folder.path(name))
  const wrong = writeCertificates(folder, plan, now)
  if (wrong !== undefined) return wrong
  const users = usersOf(folder)
  const added = [...specialUsers, ...new Set(wanted)].filter((user) => !users.has(user))
  for (const user of added) {
    const file = `${bundleOf(user)}/broker-password`
    const password = folder.read(file)?.trim() ?? newPassword()
    folder.write(file, password + '\n')
    users.set(user, passwordLine(user, password))
  }
  writeTexts(folder, plan, [...users.keys()])
  writePlan(folder, plan)
  writeUsers(folder, users)
  const ends = lastDay(folder.read('mosquitto/server.pem') ?? '')
    .toISOString()
    .slice(0, 10)
  return { folder: folder.folder, plan, stations: stationsOf(users), added, certificateEnds: ends }
}

function writeCertificates(
  folder: BrokerFolder,
  { group, hosts }: BrokerPlan,
  now: Date,
): string | undefined {
  const authority = { certFile: folder.path('ca/ca.pem'), keyFile: folder.path('ca/ca.key') }
  if (!existsSync(authority.certFile)) {
    if (folder.read('mosquitto/server.pem') !== undefined)
      return `${authority.certFile} is not here: it is kept apart, and is needed to write the configuration`
    const made = makeAuthority(folder.folder, authority, `motepost ${group}`, now)
    if (!made.ok) return made.words
  }
  const [server, key] = [folder.read('mosquitto/server.pem'), folder.read('mosquitto/server.key')]
  if (server !== undefined && key !== undefined && isStillGood(server, key, hosts, now)) return undefined
  if (!existsSync(authority.keyFile))
    return `${authority.keyFile} is not here: it is needed to make a certificate for ${hosts.join(', ')}`
  const files = {
    certFile: folder.path('mosquitto/server.pem'),
    keyFile: folder.path('mosquitto/server.key'),
  }
  const made = makeServerCertificate(
    folder.folder,
    { ...files, hosts },
    authority,
    serverCertificateEnds(now),
  )
  return made.ok ? undefined : made.words
}

/** Bundles that were taken away to their stations stay away. */
function writeTexts(folder: BrokerFolder, plan: BrokerPlan, users: readonly string[]): void {
  const ca = folder.read('ca/ca.pem') ?? ''
  folder.write('mosquitto/motepost.conf', brokerConf(plan, users.length))
  folder.write('mosquitto/acl', brokerAcl(plan))
  for (const user of users) {
    const bundle = bundleOf(user)
    const password = folder.read(`${bundle}/broker-password`)
    if (password === undefined) continue
    folder.write(`${bundle}/broker-ca.pem`, ca)
    if (user === collectorUser) folder.write(`${bundle}/command.txt`, collectorLines(plan))
    else if (user === operatorUser)
      folder.write(`${bundle}/mosquitto_sub`, operatorLines(plan, password.trim()))
    else folder.write(`${bundle}/uplink.yaml`, uplinkLines(plan, user))
  }
}
