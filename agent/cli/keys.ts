/** `keys`: fingerprints of the station's key and of those whose signature counts here; operators are added and removed. */
import { createPrivateKey } from 'node:crypto'
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { credentialFile, keyCredential, keyName, publicHalf } from '../hardware/station-key.js'
import { keyFingerprint } from '../store/store.js'
import { operatorsFile, operatorsName } from './compose-commands.js'
import { otherKeys, type OtherKey } from './earlier-keys.js'
import {
  mostOperators,
  operatorName,
  operatorsIn,
  operatorsText,
  publicKeyGiven,
  publicKeyWords,
  roles,
  type Operator,
  type Role,
} from './operators.js'
import { tableText } from './plain-text.js'
import { readSettingsFile } from './read-settings.js'
import { readTextFile } from './read-text.js'
import { writeWhole } from './write-whole.js'

const noted =
  'Noted. The station takes commands of these keys at once (motepost stations send); of the first one from its next start on.'

const told = (words: string, code: 1 | 2): number => {
  process.stderr.write(words + '\n')
  return code
}

interface Listed {
  /** Where it was read; it is told, never the key. */
  readonly file: string
  readonly operators: readonly Operator[]
}

/** Exit codes: 0 shown, 1 a file cannot be read, 2 wrong use. */
export async function showKeys(settings: string, { json }: { json?: boolean }): Promise<number> {
  const read = readSettingsFile(settings)
  if (!read.ok) return told(read.lines.join('\n'), 2)
  const listed = operatorsOf(settings)
  if (typeof listed === 'string') return told(listed, 1)
  const file = credentialFile(keyCredential) ?? join(read.settings.data.folder, keyName)
  const own = stationKeyOf(file)
  if (own !== undefined && 'fault' in own) return told(own.fault, 1)
  const { name } = read.settings.station
  const hasStore = existsSync(join(read.settings.data.folder, 'store.json'))
  const others = await otherKeys(read.settings.data.folder, own?.publicKey)
  const fingerprint = own && keyFingerprint(own.publicKey)
  const station = own || hasStore ? { name, fingerprint, file, others } : undefined
  const operators = listed.operators.map(({ publicKey, ...rest }) => ({
    ...rest,
    fingerprint: keyFingerprint(publicKey),
  }))
  process.stdout.write(
    json
      ? JSON.stringify({ v: 1, station, operators }) + '\n'
      : shownText({ name, fingerprint, file, hasStore }, others, operators),
  )
  return 0
}

interface Shown {
  readonly name: string
  readonly fingerprint?: string
  readonly file: string
  readonly hasStore?: boolean
}

const missing =
  'not there: unless the service manager hands one over, the next start makes one for which nobody vouches'

function shownText(
  { name, fingerprint, file, hasStore }: Shown,
  others: readonly OtherKey[],
  operators: readonly { role: Role; name: string; fingerprint: string }[],
): string {
  const rows = [
    ['station', name, fingerprint ?? (hasStore ? missing : 'none yet: it is made at the first start')],
    ...others.map(({ is, row, at, fingerprint }) => [is, placeWords(is, row, at), fingerprint]),
    ...operators.map((one) => [one.role, one.name, one.fingerprint]),
  ]
  return [...tableText(rows, 3), `The station's key: ${file}`, ''].join('\n')
}

const placeWords = (is: OtherKey['is'], row: number, at: string | undefined): string =>
  `${is === 'earlier' ? 'until' : 'by'} number ${row}${at === undefined ? '' : `, ${at}`}`

function stationKeyOf(file: string): { publicKey: string } | { fault: string } | undefined {
  if (!existsSync(file)) return undefined
  try {
    return { publicKey: publicHalf(createPrivateKey(readFileSync(file, 'utf8'))) }
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    return {
      fault: `${file} ${code === 'EACCES' ? 'may be read by the agent only: try as its user' : 'holds no key'}`,
    }
  }
}

function operatorsOf(settings: string): Listed | string {
  const file = operatorsFile(settings)
  if (!existsSync(file)) return { file, operators: [] }
  const text = readTextFile(file)
  if (!text.ok) return `${text.fault.detail}: the file of operators cannot be read`
  const operators = operatorsIn(text.value)
  return Array.isArray(operators)
    ? { file, operators }
    : `${file}, line ${operators.wrongLine}: expected role, 64 hex digits and name, in at most ${mostOperators} lines`
}

export interface AddOptions {
  readonly role: string
  readonly replace?: boolean
}

/** @param given a file with the public key (PEM or hex), or the 64 hex digits themselves */
export function addOperator(settings: string, name: string, given: string, options: AddOptions): number {
  const role = roles.find((one) => one === options.role)
  if (role === undefined) return told(`--role ${options.role}: expected ${roles.join(' or ')}`, 2)
  if (!operatorName.test(name))
    return told(`'${name}': expected 1 to 32 small letters, digits and hyphens`, 2)
  const publicKey = publicKeyGiven(given)
  if (publicKey === undefined) return told(`${given}: ${publicKeyWords}`, 2)
  return changed(settings, (operators) => {
    const there = operators.find((one) => one.name === name)
    if (there && !options.replace) return `${name} has a key already; --replace puts the new one in its place`
    const twice = operators.find((one) => one.publicKey === publicKey && one.name !== name)
    if (twice)
      return `${twice.name} has this key: give each person one of their own, or remove ${twice.name} first`
    if (!there && operators.length === mostOperators) return `there are ${mostOperators} already`
    return [...operators.filter((one) => one !== there), { role, publicKey, name }]
  })
}

export const removeOperator = (settings: string, name: string): number =>
  changed(settings, (operators) =>
    operators.some((one) => one.name === name)
      ? operators.filter((one) => one.name !== name)
      : `no operator '${name}' here: motepost keys lists them`,
  )

type Change = (operators: readonly Operator[]) => readonly Operator[] | string

function changed(settings: string, change: Change): number {
  if (!existsSync(settings)) return told(`${settings}: no such settings file`, 2)
  if (credentialFile(operatorsName) !== undefined)
    return told('the service manager hands the operators over: change its file', 2)
  const listed = operatorsOf(settings)
  if (typeof listed === 'string') return told(listed, 1)
  const operators = change(listed.operators)
  if (typeof operators === 'string') return told(operators, 2)
  try {
    writeWhole(listed.file, operatorsText(operators), 0o644)
  } catch (error) {
    return told((error as Error).message, 1)
  }
  const rows = operators.map(({ role, name, publicKey }) => [role, name, keyFingerprint(publicKey)])
  process.stdout.write([...(rows.length > 0 ? tableText(rows, 3) : ['no operators']), noted, ''].join('\n'))
  return 0
}
