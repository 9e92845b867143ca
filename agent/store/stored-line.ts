/**
 * A line as it stands in a file: its text, a comma, and a CRC-32 that is bound to store and file. Works on bytes, so that a
 * year of lines can be looked through without making a string of each.
 */
import { crc32 } from 'node:zlib'
import { cellText, lineFormat, longestLine, readCell } from '../terms/terms.js'

export interface Identity {
  readonly storeId: string
  readonly station: string
}

/** Bytes of comma, letter and eight digits. */
export const crcBytes = 10
/** Four bytes of UTF-8 a character at most. */
export const longestStored = 4 * longestLine + crcBytes
export const newline = 10
const comma = 44
const letterK = 107

/** What the CRC of every line of a file starts from. */
export const seedOf = (storeId: string, fileName: string): number => crc32(`${storeId}/${fileName}`)

export const crcText = (text: string, seed: number): string =>
  'k' + crc32(text, seed).toString(16).padStart(8, '0')

export const storedLine = (text: string, seed: number): string => `${text},${crcText(text, seed)}\n`

/** True when the bytes from start to end (without line end) carry the CRC of what stands before it. */
export function passes(bytes: Buffer, start: number, end: number, seed: number): boolean {
  const textEnd = end - crcBytes
  if (textEnd <= start || end - start > longestStored) return false
  if (bytes[textEnd] !== comma || bytes[textEnd + 1] !== letterK) return false
  // A plain view: making one of Buffer's own takes twice as long, and there is one for each line of a year.
  const text = new Uint8Array(bytes.buffer, bytes.byteOffset + start, textEnd - start)
  return crc32(text, seed) === hexAt(bytes, textEnd + 2)
}

/** Eight lower-case hex digits as a number; -1 when there is anything else. */
function hexAt(bytes: Buffer, at: number): number {
  let value = 0
  for (let i = at; i < at + 8; i++) {
    const c = bytes[i]
    const digit = c >= 48 && c <= 57 ? c - 48 : c >= 97 && c <= 102 ? c - 87 : -1
    if (digit < 0) return -1
    value = value * 16 + digit
  }
  return value
}

/** The number of a line; undefined when its second cell is empty or no number. */
export function seqOf(bytes: Buffer, start: number, end: number): number | undefined {
  let at = start
  while (at < end && bytes[at] !== comma) at++
  const first = ++at
  let seq = 0
  while (at < end && bytes[at] >= 48 && bytes[at] <= 57) seq = seq * 10 + bytes[at++] - 48
  return at > first && at - first <= 15 && bytes[at] === comma ? seq : undefined
}

/** Whether the line is of this kind: `word` is the kind with its comma. */
export function beginsWith(bytes: Buffer, start: number, end: number, word: Buffer): boolean {
  if (end - start < word.length) return false
  for (let i = 0; i < word.length; i++) if (bytes[start + i] !== word[i]) return false
  return true
}

const cutWord = Buffer.from(',cut')

/** A line that a start ended because a power cut had left it half written. */
export const isCut = (bytes: Buffer, start: number, end: number): boolean =>
  end - start >= cutWord.length && beginsWith(bytes, end - cutWord.length, end, cutWord)

export const textOf = (bytes: Buffer, start: number, end: number): string =>
  bytes.toString('utf8', start, end - crcBytes)

export const headerText = ({ storeId, station }: Identity, fileName: string): string =>
  `file,,${lineFormat},${storeId},${cellText(station)},${fileName}`

/** The identity in a file's header line; 'other-format' when a later release wrote it; undefined when it is none. */
export function readHeader(text: string, fileName: string): Identity | 'other-format' | undefined {
  const [kind, seq, format, storeId, station, name, ...rest] = text.split(',')
  if (kind !== 'file' || seq !== '' || name !== fileName) return undefined
  if (format !== String(lineFormat)) return 'other-format'
  const plain = readCell(station)
  return plain !== undefined && isStoreId(storeId) && rest.length === 0
    ? { storeId, station: plain }
    : undefined
}

export const isStoreId = (text: unknown): text is string =>
  typeof text === 'string' && /^[A-Za-z0-9-]{4,64}$/.test(text)
