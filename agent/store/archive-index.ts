/**
 * What an archive knows of its files, kept so that a start reads some kilobytes in place of all of them. It is a cache: believed
 * only where it is whole and every file that it names still holds what it was made of; else the files are read.
 */
import { crc32 } from 'node:zlib'
import {
  columnSetText,
  good,
  parseColumnSet,
  RangeSet,
  type ColumnSet,
  type Disk,
  type Outcome,
  type Range,
} from '../terms/terms.js'
import { eachLine } from './each-line.js'
import { indexName, readLinesName } from './names.js'
import { passes, seedOf, storedLine, textOf } from './stored-line.js'
import { writeAll } from './write-all.js'

const temporary = `${indexName}.tmp`
const indexFormat = 1
const rangesPerLine = 500
const endBytes = 64

/** A lines file as far as it is known; later bytes of it are read at a start. */
export interface IndexedFile {
  readonly name: string
  /** Bytes of whole lines. */
  readonly length: number
  readonly lines: number
  readonly damaged: number
  readonly header: boolean
  /** CRC-32 of the last 64 of those bytes. */
  readonly end: number
  /** Ids of the column sets it explains. */
  readonly sets: readonly string[]
}

export interface ArchiveIndex {
  readonly held: RangeSet
  readonly skipped: RangeSet
  readonly files: readonly IndexedFile[]
  readonly sets: readonly ColumnSet[]
}

function* rows({ held, skipped, files, sets }: ArchiveIndex): Generator<readonly unknown[]> {
  yield ['index', indexFormat]
  for (const [word, of] of [['held', held] as const, ['skipped', skipped] as const])
    for (let i = 0; i < of.ranges().length; i += rangesPerLine)
      yield [word, of.ranges().slice(i, i + rangesPerLine)]
  for (const { name, length, lines, damaged, header, end, sets: ids } of files)
    yield ['file', name, length, lines, damaged, header, end, ids]
  for (const set of sets) yield ['columns', columnSetText(set)]
}

/** Faults: disk-*; then the index before stands, or none. @returns its bytes */
export async function writeIndex(disk: Disk, storeId: string, index: ArchiveIndex): Promise<Outcome<number>> {
  const seed = seedOf(storeId, indexName)
  const texts = [...rows(index)].map((row) => storedLine(JSON.stringify(row), seed))
  const bytes = Buffer.from(texts.join('') + storedLine(JSON.stringify(['end', texts.length]), seed))
  const removed = await disk.remove(temporary)
  if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
  const written = await writeAll(disk, temporary, bytes)
  if (!written.ok) return written
  const renamed = await disk.rename(temporary, indexName)
  return renamed.ok ? good(bytes.length) : renamed
}

/** Undefined where there is none, it is not whole, or a file is not as it says. */
export async function readIndex(disk: Disk, storeId: string): Promise<ArchiveIndex | undefined> {
  const index = await readRows(disk, storeId)
  if (!index) return undefined
  for (const file of index.files) if (!(await fits(disk, file))) return undefined
  return index
}

async function fits(disk: Disk, { name, length, end }: IndexedFile): Promise<boolean> {
  const size = await disk.size(name)
  return size.ok && size.value >= length && (await endOf(disk, name, length)) === end
}

/** CRC-32 of the last bytes before `length`; undefined when they cannot be read. */
export async function endOf(disk: Disk, name: string, length: number): Promise<number | undefined> {
  const bytes = Math.min(endBytes, length)
  const read = await disk.read(name, length - bytes, bytes)
  return read.ok && read.value.length === bytes ? crc32(read.value) : undefined
}

async function readRows(disk: Disk, storeId: string): Promise<ArchiveIndex | undefined> {
  const seed = seedOf(storeId, indexName)
  const reading = new Reading()
  const read = await eachLine(disk, indexName, 0, undefined, (bytes, start, end) => {
    reading.take(passes(bytes, start, end, seed) ? parsed(textOf(bytes, start, end)) : undefined)
    return reading.isWell
  })
  return read.ok && reading.isWhole ? reading : undefined
}

/** Takes the rows one by one; what is not as written here makes all of it nothing. */
class Reading implements ArchiveIndex {
  readonly held = new RangeSet()
  readonly skipped = new RangeSet()
  readonly files: IndexedFile[] = []
  readonly sets: ColumnSet[] = []
  isWell = true
  isWhole = false
  private rows = 0

  take(row: unknown): void {
    this.isWell = !this.isWhole && Array.isArray(row) && this.understands(row as unknown[])
    if (!this.isWell) this.isWhole = false
    this.rows++
  }

  private understands([word, ...cells]: readonly unknown[]): boolean {
    if (this.rows === 0) return word === 'index' && cells[0] === indexFormat
    if (word === 'held' || word === 'skipped') return this.addRanges(this[word], cells[0])
    if (word === 'file') return this.addFile(cells)
    if (word === 'columns') return this.addSet(cells[0])
    return word === 'end' && (this.isWhole = cells[0] === this.rows)
  }

  private addRanges(to: RangeSet, cell: unknown): boolean {
    const ranges = RangeSet.parse(cell, rangesPerLine)
    for (const [first, last] of ranges?.ranges() ?? ([] as Range[])) to.add(first, last)
    return ranges !== undefined
  }

  private addFile([name, length, lines, damaged, header, end, sets]: readonly unknown[]): boolean {
    const counts = [length, lines, damaged, end]
    const isWell =
      typeof name === 'string' &&
      readLinesName(name) !== undefined &&
      counts.every((count) => Number.isSafeInteger(count) && (count as number) >= 0) &&
      Array.isArray(sets) &&
      sets.every((id) => typeof id === 'string')
    if (isWell)
      this.files.push({ name, length, lines, damaged, header: header === true, end, sets } as IndexedFile)
    return isWell
  }

  private addSet(text: unknown): boolean {
    const set = typeof text === 'string' ? parseColumnSet(text) : undefined
    if (set) this.sets.push(set)
    return set !== undefined
  }
}

function parsed(text: string): unknown {
  try {
    return JSON.parse(text)
  } catch {
    return undefined
  }
}
