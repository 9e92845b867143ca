/**
 * The event line `station-key`: from here on another key may sign for this station. Signed by the key before, it hands over;
 * without a signature it only says that the station found or took another key. FORMAT.md, 'Keys', has every detail of it.
 */
import type { EventLine, SigningKey } from '../terms/terms.js'
import { isSignedWith } from './seal.js'

export const handOverName = 'station-key'

export interface HandOver {
  /** Public key that may sign from here on, 64 hex digits. */
  readonly next: string
  /** The one before; absent: nobody knows it any more. */
  readonly before?: string
  /** Absent: nobody vouches for the next key. */
  readonly signed?: {
    /** Number from which on the next key may sign. A line that says it again stands behind it. */
    readonly from: number
    readonly signature: string
  }
  /** Why nobody vouches: a word. */
  readonly reason?: string
}

/**
 * Why a line names a key that nobody vouches for: given up by a person; missing at a start, and made anew; another one in its
 * place; another one from the service manager.
 */
export type UnsignedReason = 'lost' | 'missing' | 'replaced' | 'given'

/** Details of the line with which a key hands over to another. @param from the line's own number */
export function handOverDetails(
  storeId: string,
  from: number,
  before: SigningKey,
  next: string,
): Record<string, string> {
  const said = { from: String(from), old: before.publicKey, new: next }
  const signature = Buffer.from(before.sign(signedBytes(storeId, said))).toString('hex')
  return { ...said, signature }
}

export const unsignedDetails = (
  before: string | undefined,
  next: string,
  reason: UnsignedReason,
): Record<string, string> => ({ ...(before === undefined ? {} : { old: before }), new: next, reason })

/** Where the line stands and when it was written is not part of it: it may be said again before its file goes. */
const signedBytes = (storeId: string, said: { from: string; old: string; new: string }): Buffer =>
  Buffer.from(`${storeId}\n${handOverName},from=${said.from};old=${said.old};new=${said.new}`)

const isKey = (text: string | undefined): text is string => text !== undefined && /^[0-9a-f]{64}$/.test(text)

/** What an event line says of keys; undefined where it says nothing of them, or not in this way. */
export function readHandOver({ seq, name, details }: EventLine): HandOver | undefined {
  if (name !== handOverName) return undefined
  const { from, old, new: next, signature, reason } = details as Partial<Record<string, string>>
  if (!isKey(next) || next === old || (old !== undefined && !isKey(old))) return undefined
  const before = old === undefined ? {} : { before: old }
  if (signature === undefined) return { next, ...before, ...(reason === undefined ? {} : { reason }) }
  const isWhole = old !== undefined && /^[1-9]\d{0,14}$/.test(from ?? '') && /^[0-9a-f]{128}$/.test(signature)
  if (!isWhole || Number(from) > seq) return undefined
  return { next, ...before, signed: { from: Number(from), signature } }
}

/** Whether the key before signed it; whose key that is, is another question. */
export function isHandedOver({ before, next, signed }: HandOver, storeId: string): boolean {
  if (!signed || before === undefined) return false
  const bytes = signedBytes(storeId, { from: String(signed.from), old: before, new: next })
  return isSignedWith(before, bytes, signed.signature)
}
