import { brotliCompressSync, constants } from 'node:zlib'
import {
  columnSetText,
  kindOf,
  parseUtc,
  type Column,
  type ColumnSet,
  type LineHead,
} from '../terms/terms.js'
import { senmlWriter, type SenmlWriter } from './senml-write.js'

/** Goes before a compressed pack. A plain one begins with an array of CBOR or JSON, never with these bytes. */
export const compressedMark = Uint8Array.from([0x4d, 0x50, 0x62, 0x31]) // 'MPb1'
/** 10 is plain SenML; 16 more says that secondary units (RFC 8798 table 2, here ug/m3 and hPa) occur (RFC 9100). */
export const senmlVersion = 26
/** SenML takes smaller times as relative to now (RFC 8428 section 4.5.3). */
export const firstAbsoluteSeconds = 2 ** 28

export interface PackLine {
  readonly line: LineHead
  /** Its canonical text. */
  readonly text: string
}

export interface PackContent {
  readonly group: string
  readonly station: string
  readonly storeId: string
  /** Of every line that names a boot. */
  readonly boot: string
  /** In order of their numbers. */
  readonly lines: readonly PackLine[]
  /** All that the records name; others are left out of the pack. */
  readonly sets: readonly ColumnSet[]
}

export interface PackForm {
  readonly encoding: 'cbor' | 'json'
  readonly compress: boolean
  /** 'small': the smallest packs for ten times the work. Absent: 'quick'. */
  readonly effort?: 'quick' | 'small'
}

export const nameShape = /^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/
export const columnName = (column: Column): string => `${column.channel}:${column.statistic}`

/** Whether the columns of a set can be told apart by name; records of any other set travel as text. */
export const isNamed = (set: ColumnSet): boolean =>
  new Set(set.columns.map(columnName)).size === set.columns.length

/**
 * One pack: lines of one store and one boot as SenML (WIRE.md describes it). `readPack` gives the same texts back.
 * @throws when a name cannot be one in SenML, a line is of another boot, or a record's column set is not there.
 */
export function makePack(content: PackContent, form: PackForm): Uint8Array {
  for (const name of [content.group, content.station])
    if (!nameShape.test(name)) throw new Error(`'${name}' cannot be part of a SenML name`)
  const writer = senmlWriter(form.encoding)
  const { records, texts } = divide(content)
  const prefix = `${content.group}/${content.station}/`
  writeHead(writer, prefix, content, texts)
  if (records.length > 0) writeSeries(writer, prefix, records)
  const plain = writer.finish()
  return form.compress ? compressed(plain, form.effort ?? 'quick') : plain
}

/**
 * Measured on noisy records, packs of 60 lines: quality 5 costs 1 ms a pack, 10 gains 13 % for 10 ms; 7 to 9 gain nothing and
 * take 8 MB while they work. A window of 64 kB is enough for a pack.
 */
const qualityOf = { quick: 5, small: 10 } as const

function compressed(plain: Uint8Array, effort: keyof typeof qualityOf): Uint8Array {
  const params = {
    [constants.BROTLI_PARAM_QUALITY]: qualityOf[effort],
    [constants.BROTLI_PARAM_LGWIN]: 16,
    [constants.BROTLI_PARAM_SIZE_HINT]: plain.length,
  }
  return Buffer.concat([compressedMark, brotliCompressSync(plain, { params })])
}

// ---- which line travels how -----------------------------------------------------------------------------------------

interface PackRecord {
  /** Cells of the canonical text. */
  readonly cells: readonly string[]
  readonly set: ColumnSet
  readonly atSeconds: number
}

/** Records with a time of their own become numbers; whatever cannot, or has no trusted time, stays text. */
function divide(content: PackContent): { records: PackRecord[]; texts: string[] } {
  const sets = new Map(content.sets.filter(isNamed).map((set) => [set.id, set]))
  const times = new Set<number>()
  const records: PackRecord[] = []
  const texts: string[] = []
  for (const { line, text } of content.lines) {
    if ('boot' in line && line.boot !== content.boot) throw new Error(`line ${line.seq} is of another boot`)
    const record = line.kind === 'record' ? asRecord(text, sets) : undefined
    if (!record || times.has(record.atSeconds)) texts.push(text)
    else {
      times.add(record.atSeconds)
      records.push(record)
    }
  }
  return { records, texts }
}

/** 15 digits, a sign and a point: beyond that a number is not exact in every reader. */
const longestNumber = 16

function asRecord(text: string, sets: ReadonlyMap<string, ColumnSet>): PackRecord | undefined {
  const cells = text.split(',')
  const set = sets.get(cells[2])
  const at = parseUtc(cells[7])
  if (!set || at === undefined || at / 1000 < firstAbsoluteSeconds) return undefined
  for (let i = 4; i < cells.length - 2; i++) if (i !== 7 && cells[i].length > longestNumber) return undefined
  if (!cells.slice(4, 7).every((cell) => Number.isFinite(Number(cell)))) return undefined
  return { cells, set, atSeconds: at / 1000 }
}

// ---- head: what belongs to the whole pack, and the lines as text; no time is set yet, so none of them gets one --------

function writeHead(
  writer: SenmlWriter,
  prefix: string,
  content: PackContent,
  texts: readonly string[],
): void {
  writer.entry(4)
  writer.whole('bver', senmlVersion)
  writer.text('bn', prefix)
  writer.text('n', 'store')
  writer.text('vs', content.storeId)
  writeText(writer, 'boot', content.boot)
  for (const set of usedSets(content)) writeText(writer, 'columns', columnSetText(set))
  for (const text of texts) writeText(writer, 'line', text)
}

function usedSets({ lines, sets }: PackContent): ColumnSet[] {
  const ids = new Set<string>()
  for (const { line } of lines) if (line.set !== undefined) ids.add(line.set)
  return [...ids].map((id) => {
    const set = sets.find((one) => one.id === id)
    if (!set) throw new Error(`column set ${id} is not known`)
    return set
  })
}

function writeText(writer: SenmlWriter, name: string, value: string): void {
  writer.entry(2)
  writer.text('n', name)
  writer.text('vs', value)
}

// ---- records, column by column --------------------------------------------------------------------------------------

/** The values of one name over time: numbers as mantissa and decimals, or texts. */
interface Series {
  readonly name: string
  readonly unit?: string
  readonly at: number[]
  readonly mantissas: number[]
  readonly decimals: number[]
  readonly texts: string[]
}

const series = (name: string, unit?: string): Series => ({
  name,
  unit,
  at: [],
  mantissas: [],
  decimals: [],
  texts: [],
})

/** '-12.34' is -1234. A loop: this runs some 50,000 times a day, and cutting texts apart costs three times as much. */
function mantissa(cell: string): number {
  let digits = 0
  for (let i = 0; i < cell.length; i++) {
    const digit = cell.charCodeAt(i) - 48
    if (digit >= 0) digits = 10 * digits + digit
  }
  return cell.charCodeAt(0) === 45 ? -digits : digits
}

function addNumber(to: Series, at: number, cell: string, decimals: number): void {
  to.at.push(at)
  to.mantissas.push(mantissa(cell))
  to.decimals.push(decimals)
}

function addText(to: Series, at: number, text: string): void {
  to.at.push(at)
  to.texts.push(text)
}

/** Without a unit first: a base unit, once set, holds for all that follows. */
function writeSeries(writer: SenmlWriter, prefix: string, records: readonly PackRecord[]): void {
  const { seq, set, excluded, marked, seconds, planned, mono } = fixedSeries(records)
  const values = valueSeries(records)
  const all = [seq, set, excluded, marked, ...values.filter((s) => !s.unit), seconds, planned, mono]
  const baseSeconds = records[0].atSeconds
  let baseTold = false
  for (const one of [...all, ...values.filter((s) => s.unit)]) {
    if (one.at.length === 0) continue
    writeOne(writer, prefix, one, baseSeconds, !baseTold)
    baseTold = true
  }
}

function writeOne(
  writer: SenmlWriter,
  prefix: string,
  one: Series,
  baseSeconds: number,
  tellBase: boolean,
): void {
  for (let i = 0; i < one.at.length; i++) {
    writer.entry(2 + (i > 0 ? 0 : 1 + (one.unit ? 1 : 0) + (tellBase ? 1 : 0)))
    if (i === 0) {
      writer.text('bn', prefix + one.name)
      if (tellBase) writer.whole('bt', baseSeconds)
      if (one.unit) writer.text('bu', one.unit)
    }
    writer.whole('t', one.at[i] - baseSeconds)
    if (one.texts.length > 0) writer.text('vs', one.texts[i])
    else writer.decimal('v', one.mantissas[i], one.decimals[i])
  }
}

interface FixedSeries {
  readonly seq: Series
  readonly set: Series
  readonly excluded: Series
  readonly marked: Series
  readonly seconds: Series
  readonly planned: Series
  readonly mono: Series
}

/**
 * What every record has beside its values. `seconds` is there for each record and so lists them; the others only where
 * they are not what a reader expects: the next number, the end of the record before, the same set and plan, no reasons.
 */
function fixedSeries(records: readonly PackRecord[]): FixedSeries {
  const all: FixedSeries = {
    seq: series('seq'),
    set: series('set'),
    excluded: series('excluded'),
    marked: series('marked'),
    seconds: series('seconds', 's'),
    planned: series('planned', 's'),
    mono: series('mono', 's'),
  }
  const expected = { seq: '', set: '', planned: '', monoHundredths: NaN }
  for (const { cells, atSeconds: at } of records) {
    const [, seq, set, , mono, seconds, planned] = cells
    const excluded = cells[cells.length - 2]
    const marked = cells[cells.length - 1]
    if (seq !== expected.seq) addNumber(all.seq, at, seq, 0)
    if (set !== expected.set) addText(all.set, at, set)
    if (mantissa(mono) !== expected.monoHundredths) addNumber(all.mono, at, mono, 2)
    addNumber(all.seconds, at, seconds, 1)
    if (planned !== expected.planned) addNumber(all.planned, at, planned, 1)
    if (excluded !== '') addText(all.excluded, at, excluded)
    if (marked !== '') addText(all.marked, at, marked)
    Object.assign(expected, { seq: String(Number(seq) + 1), set, planned })
    expected.monoHundredths = mantissa(mono) + 10 * mantissa(seconds)
  }
  return all
}

function valueSeries(records: readonly PackRecord[]): Series[] {
  const found = new Map<string, Series>()
  for (const set of new Set(records.map((record) => record.set))) {
    const mine = records.filter((record) => record.set === set)
    set.columns.forEach((column, i) => {
      const key = `${columnName(column)} ${unitOf(column)}`
      const into = found.get(key) ?? series(columnName(column), unitOf(column))
      found.set(key, into)
      for (const { cells, atSeconds } of mine)
        if (cells[8 + i] !== '') addNumber(into, atSeconds, cells[8 + i], column.decimals)
    })
  }
  return [...found.values()]
}

/** As SenML names it; a channel of a later release has none here, the columns entry says what it is. */
function unitOf(column: Column): string | undefined {
  return column.statistic === 'used' ? 's' : kindOf(column.channel)?.senmlUnit
}
