/** The first pass of a verification: every row by itself, its place among the others, and the numbers that have none. */
import {
  good,
  parseColumnSet,
  RangeSet,
  type ColumnSet,
  type Disk,
  type Outcome,
  type SkipLine,
} from '../terms/terms.js'
import { eachLine } from './each-line.js'
import type { HandOver } from './hand-over.js'
import type { ReadableFile } from './reader.js'
import { diagnose, type Diagnosis } from './row-diagnosis.js'
import type { Gone, Seal } from './seal.js'
import { seedOf } from './stored-line.js'
import { RowSense } from './row-sense.js'
import { FileWalk } from './verify-file.js'
import type { FindingKind, Findings } from './verify-chain.js'
import { isOfStart } from './waiting-lines.js'

export interface Place {
  readonly file: string
  readonly lineNumber: number
}

/** What a seal, a gone line or one about keys says, with its place. */
export interface Said<T> extends Place {
  readonly said: T
  readonly text: string
}

/** A row that does not pass, until it is known whether a start has counted it. */
interface BadRow extends Place {
  readonly diagnosis: Diagnosis
  /** The number that it seems to have. */
  readonly seq?: number
  /** Highest number before it in its file. */
  readonly after: number
  /** A header or columns: it had no number. */
  readonly isHeading: boolean
}

/** Numbers missing between two rows of one file. */
interface Jump extends Place {
  readonly from: number
  readonly to: number
}

const kindOfDiagnosis: Readonly<Record<Diagnosis['kind'], FindingKind>> = {
  changed: 'changed',
  damaged: 'damaged',
  spreadsheet: 'spreadsheet',
  'other-file': 'foreign',
  'not-ours': 'inserted',
}
const headingShape = /^\ufeff?"?(file|columns)"?[,;\t]/
/** Rows of one kind of trouble in one file that are told one by one. */
const mostAlike = 20
const mostJumps = 10_000
const mostBadRows = 5000

export const numbers = (from: number, to: number): string =>
  from === to ? `number ${from}` : `numbers ${from} to ${to}`

export class Rows {
  readonly seals: Said<Seal>[] = []
  readonly gone: Said<Gone>[] = []
  /** With the number of the row. */
  readonly handOvers: (Said<HandOver> & { readonly seq: number })[] = []
  readonly skips: SkipLine[] = []
  /** Numbers of problems that were told: a seal over them cannot fit. */
  readonly told = new RangeSet()
  readonly held = new RangeSet()
  /** Numbers that a skip line says no line has. */
  readonly skipped = new RangeSet()
  readonly isArchive: boolean
  private readonly sets = new Map<string, ColumnSet>()
  private readonly sense = new RowSense(this.sets)
  private readonly names: readonly string[]
  private readonly edges: { file: string; last: number; lines: number }[] = []
  private readonly jumps: Jump[] = []
  private waiting: BadRow[] = []
  private readonly problemRows: BadRow[] = []
  private readonly unread = new RangeSet()
  private lines = 0
  private moreBadRows = 0

  constructor(
    readonly storeId: string,
    files: readonly ReadableFile[],
    private readonly findings: Findings,
  ) {
    this.names = files.map(({ name }) => name)
    this.isArchive = files.some(({ inOrder }) => !inOrder)
  }

  summary(): {
    lines: number
    byKind: Readonly<Record<string, number>>
    firstSeq?: number
    lastSeq?: number
  } {
    const ranges = this.held.ranges()
    const ends = ranges.length === 0 ? {} : { firstSeq: ranges[0][0], lastSeq: ranges[ranges.length - 1][1] }
    return { lines: this.lines, byKind: this.sense.byKind, ...ends }
  }

  async walk(disk: Disk, file: ReadableFile): Promise<Outcome<void>> {
    const walk = new FileWalk(this, file, seedOf(this.storeId, file.name))
    const read = await eachLine(disk, file.name, 0, undefined, (bytes, start, end) =>
      walk.row(bytes, start, end),
    )
    if (!read.ok) return read
    if (read.value.tailBytes > 0) this.tail(walk.place(1), walk.highest)
    if (file.first <= file.last && !walk.isForeign)
      this.edges.push({ file: file.name, last: walk.highest, lines: walk.lines })
    return good(undefined)
  }

  /** In the newest file a row without line end is being written; in one that others follow it was spoiled or given up. */
  private tail(place: Place, after: number): void {
    if (place.file === this.names[this.names.length - 1])
      return this.note(place, 'the last row has no line end: being written, or cut off by a power cut')
    const diagnosis = {
      kind: 'damaged',
      words: 'has no line end, as a power cut or a failing card leaves it',
    } as const
    this.waiting.push({ ...place, diagnosis, after, isHeading: false })
  }

  note(place: Place, words: string): void {
    this.findings.add({ kind: 'explained', ...place, words: `${placeWords(place)}: ${words}.` })
  }

  problem(kind: FindingKind, place: Place, words: string, from?: number, to = from): void {
    if (from !== undefined && to !== undefined) this.told.add(from, to)
    const about = from === undefined ? {} : { from, to }
    this.findings.add({ kind, ...place, ...about, words: `${placeWords(place)}: ${words}.` })
  }

  bad(place: Place, row: string, seq: number | undefined, after: number): void {
    const otherFiles = this.names.filter((name) => name !== place.file)
    const { storeId, sets } = this
    const context = { storeId, file: place.file, otherFiles, sets, triesDigits: this.moreBadRows === 0 }
    const diagnosis = diagnose(row, context)
    if (this.waiting.length + this.problemRows.length < mostBadRows)
      this.waiting.push({ ...place, diagnosis, seq, after, isHeading: headingShape.test(row) })
    else this.moreBadRows++
    // Told from what it was, a row still says what it says; its numbers count below.
    const columns =
      diagnosis.original?.startsWith('columns,') && parseColumnSet(withoutCheck(diagnosis.original))
    if (columns) this.sets.set(columns.id, columns)
  }

  /** Nothing is known of the numbers of a file that cannot be read: they are not missing as well. */
  unreadable({ name, first, last }: ReadableFile, words: string): void {
    this.findings.add({ kind: 'unreadable', file: name, words: `${name}: ${words}` })
    if (!Number.isFinite(last)) return
    this.unread.add(first, last)
    this.told.add(first, last)
  }

  columns(text: string): void {
    const set = parseColumnSet(text)
    if (set) this.sets.set(set.id, set)
  }

  /** A number may have one row; doubles are told with their place. */
  line(place: Place, seq: number, text: string): void {
    this.lines++
    this.sense.take(place, seq, text)
    this.held.add(seq)
    if (this.skipped.has(seq))
      this.problem('inserted', place, `number ${seq} was left out by a start and has no row`, seq)
  }

  skip(line: SkipLine): void {
    this.skips.push(line)
    if (isOfStart(line)) this.settleBad(line.damaged)
    this.skipped.add(line.from, line.to)
  }

  jump(place: Place, from: number, to: number): void {
    if (this.jumps.length < mostJumps) this.jumps.push({ ...place, from, to })
  }

  /** A start counted so many damaged rows before its skip line: those are explained, more are not. */
  private settleBad(counted: number): void {
    if (this.waiting.length > 0 && this.waiting.length <= counted)
      for (const { diagnosis, ...place } of this.waiting)
        this.note(pick(place), `the row ${diagnosis.words}; the start after it set it aside`)
    else this.problemRows.push(...this.waiting)
    this.waiting = []
  }

  /** When all files were walked: what is missing, and what is told of rows that do not pass. */
  finish(expectedLast = 0): void {
    this.settleBad(0)
    const known = RangeSet.from([...this.held.ranges(), ...this.skipped.ranges()])
    for (const { said } of this.gone) known.add(said.from, said.last)
    const highest = Math.max(expectedLast, known.ranges().at(-1)?.[1] ?? 0)
    for (const [from, to] of this.unread.ranges()) known.add(from, to)
    const missing = RangeSet.from(known.gaps(1, highest))
    this.tellRows(missing)
    this.sense.finish((...problem) => this.problem(...problem))
    for (const [from, to] of missing.ranges()) this.tellMissing(from, to)
  }

  /** Rows that do not pass, with the numbers that are missing in their place. */
  private tellRows(missing: RangeSet): void {
    const alike = new Map<string, number>()
    for (const { diagnosis, seq, after, isHeading, ...rest } of this.problemRows) {
      const place = pick(rest)
      const kind = kindOfDiagnosis[diagnosis.kind]
      const count = (alike.get(`${place.file} ${kind}`) ?? 0) + 1
      alike.set(`${place.file} ${kind}`, count)
      const itself = seq !== undefined && missing.has(seq) ? ([seq, seq] as const) : undefined
      const gap = gapAfter(missing, after)
      // Where line ends were spoiled several lines look like one.
      const here = kind === 'damaged' ? (gap ?? itself) : isHeading ? undefined : (itself ?? gap)
      if (here) missing.remove(here[0], here[1])
      if (here) this.told.add(here[0], here[1])
      // Every number is accounted for: what a power cut left here was never more than the beginning of a line.
      if (kind === 'damaged' && !here)
        this.note(place, `the row ${diagnosis.words}; no number is missing by it`)
      else if (count <= mostAlike) this.problem(kind, place, `the row ${diagnosis.words}`, ...(here ?? []))
    }
    if (this.moreBadRows > 0)
      this.findings.add({
        kind: 'changed',
        words: `${this.moreBadRows} more rows do not pass; they are not told one by one.`,
      })
    for (const [key, count] of alike) {
      const [file, kind] = key.split(' ') as [string, FindingKind]
      if (count > mostAlike)
        this.findings.add({
          kind,
          file,
          words: `${file}: ${count} rows like this, of which ${mostAlike} are told.`,
        })
    }
  }

  private tellMissing(from: number, to: number): void {
    if (this.isArchive) {
      this.findings.add({
        kind: 'explained',
        from,
        to,
        words: `${numbers(from, to)} did not arrive here (yet).`,
      })
      return
    }
    const jump = this.jumps.find((one) => one.from <= from && to <= one.to)
    if (jump)
      return this.problem(
        'removed',
        jump,
        `before this row the rows of ${numbers(from, to)} are missing`,
        from,
        to,
      )
    this.told.add(from, to)
    this.findings.add({ ...this.missingAtEdge(from, to), from, to })
  }

  /** Between files: the end of a file that is shorter than others, or a whole one. */
  private missingAtEdge(from: number, to: number): { kind: FindingKind; words: string; file?: string } {
    const before = this.edges.filter(({ last }) => last < from).at(-1)
    const isShort = before && this.edges.some((edge) => edge.lines > before.lines)
    if (isShort)
      return {
        kind: 'removed',
        file: before.file,
        words: `${before.file}: at its end the rows of ${numbers(from, to)} are missing.`,
      }
    const after = before ? `behind ${before.file}` : 'before all others'
    return {
      kind: 'missing-file',
      words: `A file is missing ${after}: no file of this folder has ${numbers(from, to)}.`,
    }
  }
}

const pick = ({ file, lineNumber }: Place): Place => ({ file, lineNumber })
const placeWords = ({ file, lineNumber }: Place): string => `${file}, row ${lineNumber}`
const withoutCheck = (row: string): string => row.slice(0, row.lastIndexOf(','))

/** The missing numbers that begin right after a number. */
function gapAfter(missing: RangeSet, after: number): readonly [number, number] | undefined {
  return missing.has(after + 1) ? [after + 1, missing.contiguousFrom(after + 1)] : undefined
}
