/** What is wrong with an entry: a code for programs and tests, and the words a person reads. */
import { keyOf, type EntryField } from './kinds.js'

export type EntryFaultCode =
  | 'unknown-kind'
  | 'unknown-key'
  | 'too-many-keys'
  | 'not-for-this-kind'
  | 'missing'
  | 'empty'
  | 'not-text'
  | 'not-one-line'
  | 'too-long'
  | 'not-a-time'
  | 'future'
  | 'too-early'
  | 'clock-unknown'
  | 'order'
  | 'too-long-a-span'
  | 'not-a-slot'
  | 'not-a-number'
  | 'not-allowed'
  | 'corrects-nothing'
  | 'withdrawn'

export interface EntryFault {
  /** As the person gave it. */
  readonly key: string
  readonly code: EntryFaultCode
  /** What is wrong and what is allowed; one line. */
  readonly words: string
}

export const fault = (field: EntryField, code: EntryFaultCode, words: string): EntryFault => ({
  key: keyOf[field],
  code,
  words: `${keyOf[field]}: ${words}`,
})

/** What somebody typed, as it can be shown: quoted, one line, short. */
export function shown(value: unknown): string {
  if (typeof value === 'object' || typeof value === 'function') return 'a list or group'
  const text = String(value)
  const short = text.length > 40 ? `${text.slice(0, 37)}...` : text
  return `'${short.replace(/[\p{Cc}\p{Cf}\p{Cs}\u2028\u2029]/gu, '?')}'`
}
