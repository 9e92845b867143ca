/** The writing end of a station's store: gathers lines, and brings them to disk in order; FORMAT.md, rules 13 to 15. */
import {
  bad,
  canonicalLine,
  done,
  good,
  longestLine,
  type ColumnSet,
  type Disk,
  type Line,
  type Outcome,
  type StageCounts,
} from '../terms/terms.js'
import { appendEntries, newFile, type AppendFile } from './appender.js'
import { freshName, type LinesName } from './names.js'
import { oneAtATime } from './one-at-a-time.js'
import type { ReadableFile } from './reader.js'
import { RecentLines, type StoredText } from './recent-lines.js'
import type { Start } from './recovery.js'
import type { Identity } from './stored-line.js'
import { headOf, WaitingLines, type WaitingLine } from './waiting-lines.js'

export interface WriterOptions {
  readonly linesPerFile: number
  /** Lines that may wait for the disk; while a write is under way, as many again. */
  readonly maxBufferedLines: number
}

/** Of the disk, not written by lines: room for the state, and for what a file begins with. */
const reservedBytes = 64 * 1024
const reservedShare = 0.01
/** Comma, check and line end. */
const lineOverhead = 11
/** Some hours of minutes, about 200 kB. */
const mostRecentLines = 240

export class StoreWriter {
  nextSeq: number
  safeSeq: number
  readonly recent = new RecentLines(mostRecentLines)
  private readonly waiting: WaitingLines
  private readonly files: LinesName[]
  private readonly taken: Set<string>
  private file: AppendFile | undefined
  /** The file's name, while nothing in it is safe. */
  private begun: LinesName | undefined
  /** Places in the newest file where writes of this run begin. */
  private marks: { seq: number; offset: number }[] = []
  private tookLines = 0
  private wroteLines = 0

  constructor(
    private readonly disk: Disk,
    private readonly identity: Identity,
    private readonly sets: Map<string, ColumnSet>,
    names: readonly string[],
    start: Start,
    private readonly options: WriterOptions,
  ) {
    this.waiting = new WaitingLines(options.maxBufferedLines + start.holes.length)
    this.files = [...start.files]
    this.taken = new Set(names)
    this.file = start.open && start.open.lines < options.linesPerFile ? start.open : undefined
    this.nextSeq = start.nextSeq
    this.safeSeq = start.safeSeq
    const { skippedFrom: from, skippedTo: to, damaged } = start.recovered
    const left = from !== undefined && to !== undefined ? [[from, to] as const] : []
    for (const [i, [first, last]] of [...left, ...start.holes].entries())
      this.skip(first, last, i === 0 ? damaged : 0)
  }

  append(make: (seq: number) => Line, set: ColumnSet | undefined): number {
    const seq = this.giveSeq()
    const line = make(seq)
    const text = canonicalLine(line, set)
    if (text.length > longestLine) this.waiting.add(tooLong(line, text))
    else this.waiting.add({ seq, text, set, line: headOf(line) })
    if (set && !this.sets.has(set.id)) this.sets.set(set.id, set)
    return seq
  }

  /** Lines up to this number may leave although they are not safe: from now on they stand under their numbers for good. */
  letOut(upTo: number): number {
    const { waiting } = this
    waiting.letOutUpTo = Math.max(waiting.letOutUpTo, Math.min(upTo, waiting.newestSeq))
    return Math.max(this.safeSeq, waiting.letOutUpTo)
  }

  /** The lines of these numbers that were let out and wait for the disk. */
  waitingOutside(from: number, to: number): StoredText[] {
    return this.waiting.within(from, Math.min(to, this.waiting.letOutUpTo))
  }

  /** One runs at a time; see `oneAtATime`. */
  readonly flush = oneAtATime(() => this.write())

  get buffered(): number {
    return this.waiting.count
  }

  counts(): StageCounts {
    const { dropped, replaced, count } = this.waiting
    const taken = this.tookLines + replaced
    return { taken, given: this.wroteLines, held: count, refused: { 'buffer-full': dropped } }
  }

  /** As a reader may look at the files: nothing that is not safe. */
  readable(): ReadableFile[] {
    return this.files.map(({ name, first }, i) => ({
      name,
      first,
      last: Math.min(this.safeSeq, (this.files[i + 1]?.first ?? Infinity) - 1),
      inOrder: true,
      ...(name === this.file?.name ? { length: this.file.length, marks: this.marks } : {}),
    }))
  }

  /** The file was removed. */
  forget(name: string): void {
    const at = this.files.findIndex((file) => file.name === name)
    if (at >= 0) this.files.splice(at, 1)
  }

  private skip(from: number, to: number, damaged: number): void {
    const skip = { kind: 'skip', seq: this.giveSeq(), from, to, damaged } as const
    this.waiting.add({ seq: skip.seq, text: canonicalLine(skip), skip, line: headOf(skip) })
  }

  private giveSeq(): number {
    this.tookLines++
    return this.nextSeq++
  }

  private async write(): Promise<Outcome<void>> {
    const lines = this.waiting.take()
    const fitting = await this.fitting(lines)
    let result: Outcome<void> = done
    for (let at = 0; at < fitting && result.ok;) {
      const file = this.fileFor(lines[at].seq)
      if (!file.ok) return this.fail(file)
      const part = lines.slice(at, Math.min(fitting, at + this.options.linesPerFile - file.value.lines))
      result = await this.writePart(file.value, part)
      at += part.length
    }
    if (result.ok && fitting < lines.length) result = bad('disk-full', this.disk.name)
    return result.ok ? this.tellLost() : this.fail(result)
  }

  /**
   * How many of these lines a disk that is nearly full takes: all at once may be too many where some would do. The last room
   * is left to the state.
   */
  private async fitting(lines: readonly WaitingLine[]): Promise<number> {
    const needed = lines.reduce((sum, { text }) => sum + text.length + lineOverhead, 0)
    const free = await this.disk.freeBytes()
    if (!free.ok || free.value >= needed + reservedBytes) return lines.length
    const total = await this.disk.totalBytes()
    if (!total.ok) return lines.length
    let room = free.value - Math.min(reservedBytes, reservedShare * total.value)
    const first = lines.findIndex(({ text }) => (room -= text.length + lineOverhead) < 0)
    return first < 0 ? lines.length : first
  }

  /** Skip lines for lines that had left and were dropped: numbered last, they come last. */
  private tellLost(): Promise<Outcome<void>> | Outcome<void> {
    const lost = this.waiting.takeLost()
    for (const [from, to] of lost) this.skip(from, to, 0)
    return lost.length > 0 ? this.write() : done
  }

  /** What could not be written waits again. */
  private fail<T>(result: T): T {
    this.waiting.giveBack()
    return result
  }

  /** The file to go on with, or a new one that this line begins. */
  private fileFor(seq: number): Outcome<AppendFile> {
    if (this.file && this.file.lines < this.options.linesPerFile) return good(this.file)
    const name = freshName(seq, undefined, this.taken)
    if (!name) return bad('disk-error', `${this.disk.name}: every name for lines from ${seq} on was tried`)
    this.taken.add(name.name)
    this.begun = name
    this.marks = []
    this.file = newFile(name.name)
    return good(this.file)
  }

  private async writePart(file: AppendFile, part: readonly WaitingLine[]): Promise<Outcome<void>> {
    const offset = file.length
    const written = await appendEntries(this.disk, this.identity, file, part)
    if (!written.ok) {
      if (written.spoiled) await this.giveUp(file.name)
      return { ok: false, fault: written.fault }
    }
    if (this.begun) this.files.push(this.begun)
    this.begun = undefined
    this.waiting.settle(part.length)
    for (const one of part) this.recent.add({ line: one.line, text: one.text })
    this.wroteLines += part.length
    this.safeSeq = lastNumber(part[part.length - 1])
    this.marks.push({ seq: part[0].seq, offset })
    return done
  }

  /** A file that is not written again. Where nothing in it is safe it only takes room: a failing disk would fill with them. */
  private async giveUp(name: string): Promise<void> {
    this.file = undefined
    if (this.begun?.name === name) await this.disk.remove(name)
  }
}

/** A skip line for dropped lines accounts for numbers behind its own. */
const lastNumber = ({ seq, skip }: WaitingLine): number => Math.max(seq, skip?.to ?? 0)

/** Stands for a line that no reader would take. */
function tooLong(line: Line, text: string): WaitingLine {
  if (!('boot' in line)) throw new Error(`line ${line.seq} has ${text.length} characters`)
  const details = { kind: line.kind, characters: String(text.length) }
  const { seq, boot, mono, utc } = line
  const event = { kind: 'event', seq, boot, mono, utc, name: 'line-too-long', details } as const
  return { seq, text: canonicalLine(event), line: headOf(event) }
}
