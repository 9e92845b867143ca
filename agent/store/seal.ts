/**
 * What a seal and a gone line say, as text and back. A seal is a line that says which lines stood before it: their numbers,
 * how many, SHA-256 over their texts in the order of their numbers, and SHA-256 of the seal before it. A gone line says the
 * same of a file that was removed to make room. Either may be signed (Ed25519, RFC 8032); FORMAT.md has every cell.
 */
import { createHash, createPublicKey, verify, type Hash } from 'node:crypto'
import type { OtherLine, SigningKey } from '../terms/terms.js'

/** What seals and gone lines say of the lines with numbers from `first` to `last`. */
export interface Sealed {
  readonly seq: number
  readonly first: number
  readonly last: number
  /** Lines there were: a number that a skip line accounts for has none. */
  readonly count: number
  /** SHA-256 over each canonical text and one LF, 64 hex digits. */
  readonly hash: string
  /** Of the text of a seal line: the one before this, or the last in the file that is gone. Absent: there was none. */
  readonly sealHash?: string
  readonly signed?: { readonly publicKey: string; readonly signature: string }
}

export interface Seal extends Sealed {
  readonly kind: 'seal'
}

export interface Gone extends Sealed {
  readonly kind: 'gone'
  /** From this number on all is gone, up to `last`: lines about files removed before go with the files they stand in. */
  readonly from: number
  /** SHA-256 of the text of the gone line that said so before. Absent: `from` is `first`. */
  readonly goneHash?: string
  readonly file: string
  /** A word: 'full'. */
  readonly reason: string
}

type Unsigned<T extends Sealed> = Omit<T, 'signed'>

/** SHA-256 over lines, one after the other. */
export class LinesHash {
  count = 0
  private readonly hash: Hash = createHash('sha256')

  add(text: string): void {
    this.count++
    this.hash.update(text).update('\n')
  }

  hex(): string {
    return this.hash.digest('hex')
  }
}

export const hashOf = (text: string): string => createHash('sha256').update(text).digest('hex')

/** The line of a seal or gone line, signed where there is a key. */
export function sealedLine(
  sealed: Unsigned<Seal> | Unsigned<Gone>,
  storeId: string,
  key?: SigningKey,
): OtherLine {
  const head = `${unsignedText(sealed)},${key ? 'p' + key.publicKey : ''}`
  const signature = key ? 's' + Buffer.from(key.sign(signedBytes(storeId, head))).toString('hex') : ''
  return { kind: 'other', seq: sealed.seq, text: `${head},${signature}` }
}

function unsignedText(sealed: Unsigned<Seal> | Unsigned<Gone>): string {
  const { kind, seq, first, last, count, hash, sealHash } = sealed
  const cells = [kind, seq, first, last, count, 'h' + hash, sealHash === undefined ? '' : 'h' + sealHash]
  if (kind === 'seal') return cells.join(',')
  const { from, goneHash, file, reason } = sealed
  return [...cells, from, goneHash === undefined ? '' : 'h' + goneHash, file, reason].join(',')
}

/** The store id is signed too: a line of one store proves nothing in another. */
const signedBytes = (storeId: string, head: string): Buffer => Buffer.from(`${storeId}\n${head}`)

const whole = '(0|[1-9]\\d{0,14})'
const common = `${whole},${whole},${whole},${whole},h([0-9a-f]{64}),(?:h([0-9a-f]{64}))?`
const signing = '(?:p([0-9a-f]{64}),s([0-9a-f]{128})|,)'
const sealShape = new RegExp(`^seal,${common},${signing}$`)
const goneShape = new RegExp(
  `^gone,${common},${whole},(?:h([0-9a-f]{64}))?,([a-z0-9.-]{1,64}),([a-z][a-z0-9-]{0,31}),${signing}$`,
)

/** Reads the text of a seal; undefined when it is none. */
export function readSeal(text: string): Seal | undefined {
  const m = sealShape.exec(text)
  return m ? { kind: 'seal', ...sealedOf(m, m[7], m[8]) } : undefined
}

/** Reads the text of a gone line; undefined when it is none. */
export function readGone(text: string): Gone | undefined {
  const m = goneShape.exec(text)
  if (!m) return undefined
  const goneHash = m[8] as string | undefined
  const before = { from: Number(m[7]), ...(goneHash === undefined ? {} : { goneHash }) }
  return { kind: 'gone', ...sealedOf(m, m[11], m[12]), ...before, file: m[9], reason: m[10] }
}

function sealedOf(m: RegExpExecArray, publicKey?: string, signature?: string): Sealed {
  const [seq, first, last, count] = m.slice(1, 5).map(Number)
  const sealHash = m[6] as string | undefined
  return {
    ...{ seq, first, last, count, hash: m[5] },
    ...(sealHash === undefined ? {} : { sealHash }),
    ...(publicKey === undefined || signature === undefined ? {} : { signed: { publicKey, signature } }),
  }
}

/** Whether the signature of a line fits its text and its own key; whose key that is, is another question. */
export function isSignedRight(text: string, storeId: string, signed: NonNullable<Sealed['signed']>): boolean {
  const head = text.slice(0, text.lastIndexOf(','))
  return isSignedWith(signed.publicKey, signedBytes(storeId, head), signed.signature)
}

/** @param publicKey 64 hex digits; @param signature 128 hex digits */
export function isSignedWith(publicKey: string, bytes: Uint8Array, signature: string): boolean {
  // The fixed beginning of an Ed25519 key in DER (RFC 8410, 4): algorithm 1.3.101.112, 32 bytes.
  const der = Buffer.from('302a300506032b6570032100' + publicKey, 'hex')
  try {
    const key = createPublicKey({ key: der, format: 'der', type: 'spki' })
    return verify(null, bytes, key, Buffer.from(signature, 'hex'))
  } catch {
    return false
  }
}
