/**
 * The file `operators` beside the settings: whose signature counts at a station, and what it may ask. A line each:
 * role, Ed25519 public key (RFC 8032) in hex, name. The agent reads it and never writes it.
 */
import { createPublicKey } from 'node:crypto'
import { existsSync } from 'node:fs'
import { publicHalf } from '../hardware/station-key.js'
import { good } from '../terms/terms.js'
import { readTextFile } from './read-text.js'

export const roles = ['reader', 'operator'] as const
export type Role = (typeof roles)[number]

export interface Operator {
  readonly role: Role
  readonly publicKey: string
  readonly name: string
}

export const operatorName = /^[a-z0-9-]{1,32}$/
export const mostOperators = 32
const line = /^(reader|operator) ([0-9a-f]{64}) ([a-z0-9-]{1,32})$/

/** Those of the file, or the number of the line that is none of them. A line that begins with # is a remark. */
export function operatorsIn(text: string): Operator[] | { readonly wrongLine: number } {
  const operators: Operator[] = []
  for (const [i, row] of text.split('\n').entries()) {
    if (row.trim() === '' || row.startsWith('#')) continue
    const [, role, publicKey, name] = line.exec(row.trim()) ?? []
    if (name === undefined || operators.length === mostOperators) return { wrongLine: i + 1 }
    operators.push({ role: role as Role, publicKey, name })
  }
  return operators
}

export const operatorsText = (operators: readonly Operator[]): string =>
  [
    '# Written by motepost keys: role, Ed25519 public key, name.',
    ...operators.map(({ role, publicKey, name }) => `${role} ${publicKey} ${name}`),
    '',
  ].join('\n')

/** The key in a text: 64 hex digits, or PEM as `openssl pkey -pubout` writes it. Undefined: none, or a private one. */
export function publicKeyIn(text: string): string | undefined {
  const hex = text.trim().toLowerCase()
  if (/^[0-9a-f]{64}$/.test(hex)) return hex
  if (!text.includes('-----BEGIN PUBLIC KEY-----')) return undefined
  try {
    const key = createPublicKey(text)
    return key.asymmetricKeyType === 'ed25519' ? publicHalf(key) : undefined
  } catch {
    return undefined
  }
}

/** The same of a file, where one of that name can be read. */
export function publicKeyGiven(fileOrText: string): string | undefined {
  const file = existsSync(fileOrText) ? readTextFile(fileOrText) : good(fileOrText)
  return file.ok ? publicKeyIn(file.value) : undefined
}

export const publicKeyWords =
  'expected an Ed25519 public key (openssl pkey -in KEY -pubout), never the private one'
