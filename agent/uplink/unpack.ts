import { brotliDecompressSync } from 'node:zlib'
import {
  bad,
  good,
  numberText,
  parseColumnSet,
  parseLine,
  utcMillis,
  utcText,
  type ColumnSet,
  type Line,
  type Outcome,
} from '../terms/terms.js'
import { columnName, compressedMark, firstAbsoluteSeconds, isNamed, nameShape } from './pack.js'
import { Refusal } from './refusal.js'
import { readSenml, type SenmlEntry } from './senml-read.js'
import type { ShapeLimits } from './scan.js'

export interface PackLimits extends ShapeLimits {
  /** As received. */
  readonly bytes: number
  /** After decompression; also at most `ratio` times the bytes received. */
  readonly plainBytes: number
  readonly ratio: number
  readonly lines: number
}

/** A pack of 240 records with 100 columns is 25,000 entries, 200,000 items and 300 kB; a silent sensor's shrinks 200-fold. */
export const usualPackLimits: PackLimits = {
  bytes: 1 << 20,
  plainBytes: 4 << 20,
  ratio: 1000,
  depth: 6,
  items: 400_000,
  lines: 2000,
}

export interface UnpackedLine {
  readonly seq: number
  /** Canonical, to the byte as the station has it. */
  readonly text: string
  readonly line: Line
}

export interface Pack {
  readonly group: string
  readonly station: string
  readonly storeId: string
  readonly boot: string
  readonly sets: readonly ColumnSet[]
  /** In order of their numbers, each number once. */
  readonly lines: readonly UnpackedLine[]
}

/**
 * Unpacks what `makePack` made, plain or compressed, CBOR or JSON.
 * Bytes, decompressed length, depth and items are bounded before anything is decoded.
 * @returns pack-refused, with a word of the closed list in refusal.ts first in the detail.
 */
export function readPack(bytes: Uint8Array, limits: PackLimits = usualPackLimits): Outcome<Pack> {
  try {
    return good(assemble(readSenml(plainBytes(bytes, limits), limits), limits))
  } catch (error) {
    if (error instanceof Refusal) return bad('pack-refused', error.message)
    throw error
  }
}

function plainBytes(bytes: Uint8Array, limits: PackLimits): Uint8Array {
  if (bytes.length > limits.bytes) throw new Refusal('too-long', `${bytes.length} bytes`)
  if (!compressedMark.every((byte, i) => bytes[i] === byte)) return bytes
  const packed = bytes.subarray(compressedMark.length)
  const maxOutputLength = Math.min(limits.plainBytes, Math.max(1, packed.length * limits.ratio))
  try {
    return brotliDecompressSync(packed, { maxOutputLength })
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ERR_BUFFER_TOO_LARGE')
      throw new Refusal('too-long', `more than ${maxOutputLength} bytes after decompression`)
    throw new Refusal('not-brotli', (error as Error).message)
  }
}

// ---- from entries to lines ------------------------------------------------------------------------------------------

/** Entries by their name within the station. */
interface Sorted {
  readonly group: string
  readonly station: string
  readonly heads: Map<string, string[]>
  /** Of each name, its values by time in seconds. */
  readonly series: Map<string, Map<number, number | string>>
}

const headNames = new Set(['store', 'boot', 'columns', 'line'])

function sortEntries(entries: readonly SenmlEntry[]): Sorted {
  const [group, station] = entries[0]?.name.split('/') ?? []
  if (!nameShape.test(group ?? '') || !nameShape.test(station ?? ''))
    throw new Refusal('bad-name', 'no group and station')
  const prefix = `${group}/${station}/`
  const sorted: Sorted = { group, station, heads: new Map(), series: new Map() }
  for (const entry of entries) {
    if (!entry.name.startsWith(prefix)) throw new Refusal('bad-name', `${entry.name} is not of ${prefix}`)
    const name = entry.name.slice(prefix.length)
    if (headNames.has(name)) addHead(sorted.heads, name, entry)
    else addValue(sorted.series, name, entry)
  }
  return sorted
}

function addHead(heads: Sorted['heads'], name: string, entry: SenmlEntry): void {
  if (typeof entry.value !== 'string') throw new Refusal('bad-value', `${name} is not a text`)
  const texts = heads.get(name)
  if (texts) texts.push(entry.value)
  else heads.set(name, [entry.value])
}

/** The last second of the year 9999, beyond which a time has no text. */
const lastSecond = 253_402_300_799

function addValue(series: Sorted['series'], name: string, { time, value }: SenmlEntry): void {
  if (value === undefined) throw new Refusal('bad-value', `${name} has neither number nor text`)
  if (!Number.isSafeInteger(time) || time < firstAbsoluteSeconds || time > lastSecond)
    throw new Refusal('bad-time', `${name} at ${time}`)
  const values = series.get(name) ?? new Map<number, number | string>()
  series.set(name, values)
  if (values.has(time)) throw new Refusal('twice', `${name} at ${time}`)
  values.set(time, value)
}

function onlyHead(sorted: Sorted, name: string, shape: RegExp): string {
  const texts = sorted.heads.get(name) ?? []
  if (texts.length !== 1) throw new Refusal(texts.length === 0 ? 'missing' : 'twice', name)
  if (!shape.test(texts[0]))
    throw new Refusal('bad-value', `${name} ${JSON.stringify(texts[0].slice(0, 40))}`)
  return texts[0]
}

function assemble(entries: readonly SenmlEntry[], limits: PackLimits): Pack {
  const sorted = sortEntries(entries)
  const storeId = onlyHead(sorted, 'store', /^[A-Za-z0-9-]{4,64}$/)
  const boot = onlyHead(sorted, 'boot', /^[0-9a-f]{8}$/)
  const sets = readSets(sorted.heads.get('columns') ?? [])
  const texts = [...recordTexts(sorted, boot, sets), ...(sorted.heads.get('line') ?? [])]
  if (texts.length > limits.lines) throw new Refusal('too-many-items', `${texts.length} lines`)
  const lines = texts.map((text) => checkedLine(text, boot, sets)).sort((a, b) => a.seq - b.seq)
  for (let i = 1; i < lines.length; i++)
    if (lines[i].seq === lines[i - 1].seq) throw new Refusal('twice', `line ${lines[i].seq}`)
  return { group: sorted.group, station: sorted.station, storeId, boot, sets: [...sets.values()], lines }
}

function readSets(texts: readonly string[]): Map<string, ColumnSet> {
  const sets = new Map<string, ColumnSet>()
  for (const text of texts) {
    const set = parseColumnSet(text)
    if (!set) throw new Refusal('not-canonical', 'a column set')
    sets.set(set.id, set)
  }
  return sets
}

/** Nothing leaves that the vocabulary would not write itself. */
function checkedLine(text: string, boot: string, sets: ReadonlyMap<string, ColumnSet>): UnpackedLine {
  const line = parseLine(text, sets)
  if (!line || line.seq < 1) throw new Refusal('not-canonical', JSON.stringify(text.slice(0, 60)))
  if ('boot' in line && line.boot !== boot) throw new Refusal('mixed-boots', `line ${line.seq}`)
  return { seq: line.seq, text, line }
}

// ---- records --------------------------------------------------------------------------------------------------------

interface PartialRecord {
  readonly set: ColumnSet
  readonly head: string
  readonly cells: string[]
  excluded: string
  marked: string
}

const fixedNames = new Set(['seq', 'set', 'seconds', 'planned', 'mono', 'excluded', 'marked'])

function recordTexts(sorted: Sorted, boot: string, sets: ReadonlyMap<string, ColumnSet>): string[] {
  const records = beginRecords(sorted, boot, sets)
  for (const [name, values] of sorted.series) {
    if (fixedNames.has(name)) for (const at of values.keys()) recordAt(records, at, name)
    else if (name.includes(':')) fillColumn(records, name, values)
  }
  for (const [at, text] of sorted.series.get('excluded') ?? [])
    recordAt(records, at, 'excluded').excluded = textCell(text)
  for (const [at, text] of sorted.series.get('marked') ?? [])
    recordAt(records, at, 'marked').marked = textCell(text)
  return [...records.values()].map((r) => [r.head, ...r.cells, r.excluded, r.marked].join(','))
}

const textCell = (value: number | string): string => {
  if (typeof value !== 'string') throw new Refusal('bad-value', 'reasons are a text')
  return value
}

function recordAt(records: ReadonlyMap<number, PartialRecord>, at: number, name: string): PartialRecord {
  const record = records.get(at)
  if (!record) throw new Refusal('stray-value', `${name} at ${at}`)
  return record
}

/** One record for each entry of `seconds`, in their order; what is not told follows from the record before. */
function beginRecords(
  { series }: Sorted,
  boot: string,
  sets: ReadonlyMap<string, ColumnSet>,
): Map<number, PartialRecord> {
  const records = new Map<number, PartialRecord>()
  const told = {
    seq: series.get('seq'),
    set: series.get('set'),
    planned: series.get('planned'),
    mono: series.get('mono'),
  }
  const next: Record<'seq' | 'set' | 'planned' | 'mono', number | string | undefined> = {
    seq: undefined,
    set: undefined,
    planned: undefined,
    mono: undefined,
  }
  for (const [at, seconds] of series.get('seconds') ?? []) {
    for (const name of ['seq', 'set', 'planned', 'mono'] as const)
      next[name] = told[name]?.get(at) ?? next[name]
    const { seq, set, planned, mono } = next
    const columns = sets.get(String(set))
    if (!columns || !isNamed(columns)) throw new Refusal('missing', `column set ${String(set)}`)
    const head = `record,${cell(seq, 0)},${columns.id},${boot},${cell(mono, 2)},${cell(seconds, 1)},${cell(planned, 1)},${utcText(utcMillis(at * 1000))}`
    records.set(at, { set: columns, head, cells: columns.columns.map(() => ''), excluded: '', marked: '' })
    next.seq = Number(seq) + 1
    next.mono = (Math.round(Number(mono) * 100) + Math.round(Number(seconds) * 100)) / 100
  }
  return records
}

/** The number in exactly its column's decimals, as text. */
function cell(value: number | string | undefined, decimals: number): string {
  if (typeof value !== 'number')
    throw new Refusal(value === undefined ? 'missing' : 'bad-value', 'a number of a record')
  const text = numberText(value, decimals)
  if (Number(text) !== value) throw new Refusal('bad-value', `${value} has more than ${decimals} decimals`)
  return text
}

function fillColumn(
  records: ReadonlyMap<number, PartialRecord>,
  name: string,
  values: ReadonlyMap<number, number | string>,
): void {
  const places = new Map<ColumnSet, number>()
  for (const [at, value] of values) {
    const { set, cells } = recordAt(records, at, name)
    const place = places.get(set) ?? set.columns.findIndex((column) => columnName(column) === name)
    if (place < 0) throw new Refusal('stray-value', `${name} at ${at}`)
    places.set(set, place)
    cells[place] = cell(value, set.columns[place].decimals)
  }
}
