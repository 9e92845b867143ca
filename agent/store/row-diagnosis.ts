/** What most likely happened to a row that does not pass: told from the row alone, and from what makes it pass again. */
import { crc32 } from 'node:zlib'
import { numberText, readCell, type ColumnSet } from '../terms/terms.js'
import { crcText, isStoreId, seedOf, type Identity } from './stored-line.js'

export interface Diagnosis {
  readonly kind: 'changed' | 'damaged' | 'spreadsheet' | 'other-file' | 'not-ours'
  readonly words: string
  /** The row as it was written, where that could be found out. */
  readonly original?: string
}

/** The file a row stands in. */
export interface RowContext {
  readonly storeId: string
  readonly file: string
  readonly otherFiles: readonly string[]
  readonly sets: ReadonlyMap<string, ColumnSet>
  /** Look for the digit that was changed, which takes a thousand checks. */
  readonly triesDigits: boolean
}

/** Longer rows are looked at by their beginning only. */
const mostLookedAt = 8300

export function diagnose(row: string, context: RowContext): Diagnosis {
  const text = row.slice(0, mostLookedAt)
  if (text.includes('\0'))
    return { kind: 'damaged', words: 'holds NUL bytes, as a power cut or a failing card leaves' }
  const cleaned = withoutSigns(text)
  const seed = seedOf(context.storeId, context.file)
  const original = [cleaned.text, withZeros(cleaned.text, context.sets)].find((one) => rowPasses(one, seed))
  if (original !== undefined || cleaned.signs.length > 0) return spreadsheet(cleaned, original)
  const other = context.otherFiles.find((name) => rowPasses(text, seedOf(context.storeId, name)))
  if (other !== undefined)
    return { kind: 'other-file', words: `was copied here from ${other}`, original: text }
  if (/[\p{Cc}\ufffd]/u.test(text))
    return { kind: 'damaged', words: 'holds bytes that no line has, as a failing card leaves' }
  if (!/,k[0-9a-f]{8}$/.test(text))
    return { kind: 'not-ours', words: 'ends without the check that every line has' }
  return context.triesDigits ? changed(text, seed) : { kind: 'changed', words: changedWords }
}

/** Whose file it is by its first row, whether or not that passes. */
export function claimedIdentity(row: string): Identity | undefined {
  const [kind, , , storeId, station] = withoutSigns(row).text.split(',')
  return kind === 'file' && isStoreId(storeId) && station !== undefined
    ? { storeId, station: readCell(station) ?? station }
    : undefined
}

const splitRow = (row: string): [text: string, check: string] => {
  const at = row.lastIndexOf(',')
  return [row.slice(0, at), row.slice(at + 1)]
}

function rowPasses(row: string, seed: number): boolean {
  const [text, check] = splitRow(row)
  return crcText(text, seed) === check
}

// ---- spreadsheets ---------------------------------------------------------------------------------------------------

interface Cleaned {
  readonly text: string
  readonly signs: readonly string[]
}

/** Undoes, one after the other, what a spreadsheet does to a row when it saves it. */
function withoutSigns(row: string): Cleaned {
  const signs: string[] = []
  const undo = (text: string, sign: string, shape: RegExp, by: string): string => {
    if (!shape.test(text)) return text
    signs.push(sign)
    return text.replace(shape, by)
  }
  let text = undo(row, 'a byte order mark', /^\ufeff/, '')
  text = undo(text, 'line ends CR LF', /\r$/, '')
  const separator = /^[a-z"]{2,18}([;\t])/.exec(text)?.[1]
  if (separator !== undefined) {
    signs.push(separator === ';' ? 'semicolons between cells' : 'tabs between cells')
    text = betweenCells(text, separator)
  }
  text = undo(text, 'quotes', /"/g, '')
  text = undo(text, 'empty cells at the end', /(,k[0-9a-f]{8}),+$/, '$1')
  return { text, signs }
}

/** Other separators come with quotes around cells that hold one; a decimal comma becomes a point again. */
function betweenCells(text: string, separator: string): string {
  const cells: string[] = []
  for (const m of text.matchAll(new RegExp(`("[^"]*"|[^${separator}]*)(${separator}|$)`, 'g'))) {
    cells.push(m[1].replaceAll('"', '').replace(/^(-?\d+),(\d+)$/, '$1.$2'))
    if (m[2] === '') break
  }
  return cells.join(',')
}

function spreadsheet({ text, signs }: Cleaned, original: string | undefined): Diagnosis {
  const all =
    original !== undefined && original !== text ? [...signs, 'zeros cut from the ends of numbers'] : signs
  const more = original === undefined ? '; and its content is not what was written' : ''
  const words = `was saved by a spreadsheet or an editor (${all.join(', ')})${more}`
  return { kind: 'spreadsheet', words, ...(original === undefined ? {} : { original }) }
}

const decimalsOf: Readonly<Record<string, readonly (number | undefined)[]>> = {
  anchor: [undefined, undefined, undefined, 2, undefined, undefined, 3],
  event: [undefined, undefined, undefined, 2],
}

/** The row with its numbers in the decimals they were written with. */
function withZeros(row: string, sets: ReadonlyMap<string, ColumnSet>): string {
  const cells = row.split(',')
  const decimals = cells[0] === 'record' ? recordDecimals(sets.get(cells[2])) : decimalsOf[cells[0]]
  if (!decimals) return row
  const padded = cells.map((cell, i) => {
    const places = decimals[i]
    return places === undefined || !/^-?\d+(\.\d+)?$/.test(cell) ? cell : numberText(Number(cell), places)
  })
  if (cells[0] === 'record')
    for (const at of [cells.length - 3, cells.length - 2])
      padded[at] = padded[at]?.replace(/=(\d+)(?=;|$)/g, '=$1.0')
  return padded.join(',')
}

function recordDecimals(set: ColumnSet | undefined): (number | undefined)[] | undefined {
  if (!set) return undefined
  // Kind, number, set and boot, then mono, seconds, planned; then UTC.
  const fixed = [...Array<undefined>(4), 2, 1, 1, undefined]
  return [...fixed, ...set.columns.map((column) => column.decimals)]
}

const changedWords = 'was changed after it was written: its check does not fit'

// ---- hand edits -----------------------------------------------------------------------------------------------------

/** Whether one other digit makes the row pass: chance does so once in some million rows. */
function changed(row: string, seed: number): Diagnosis {
  const [text, check] = splitRow(row)
  const wanted = parseInt(check.slice(1), 16)
  const bytes = Buffer.from(text)
  for (let at = 0; at < bytes.length; at++) {
    const stands = bytes[at]
    if (stands < 48 || stands > 57) continue
    for (let digit = 48; digit <= 57; digit++) {
      bytes[at] = digit
      if (digit !== stands && crc32(bytes, seed) === wanted)
        return digitChanged(bytes.toString(), check, at, stands)
    }
    bytes[at] = stands
  }
  return { kind: 'changed', words: changedWords }
}

function digitChanged(text: string, check: string, at: number, stands: number): Diagnosis {
  const cellStart = text.lastIndexOf(',', at - 1) + 1
  const cell = text.slice(cellStart).split(',', 1)[0]
  const now = cell.slice(0, at - cellStart) + String.fromCharCode(stands) + cell.slice(at - cellStart + 1)
  const words = `was changed after it was written: ${now} stands where ${cell} was`
  return { kind: 'changed', words, original: `${text},${check}` }
}
