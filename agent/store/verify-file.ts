/** One file in the first pass of a verification, row by row. */
import { parseLine } from '../terms/terms.js'
import { handOverName, readHandOver } from './hand-over.js'
import type { ReadableFile } from './reader.js'
import { hashOf, readGone, readSeal } from './seal.js'
import { beginsWith, isCut, passes, readHeader, seqOf, textOf } from './stored-line.js'
import type { Place, Rows } from './verify-rows.js'

const skipWord = Buffer.from('skip,')
const sealWord = Buffer.from('seal,')
const goneWord = Buffer.from('gone,')
const eventWord = Buffer.from('event,')

export class FileWalk {
  /** Highest number so far; a station's file begins with the one in its name. */
  highest: number
  isForeign = false
  private lineNumber = 0
  /** Text by number, as a hash: a second row of a number is the same one or another. */
  private readonly seen = new Map<number, string>()

  constructor(
    private readonly rows: Rows,
    private readonly file: ReadableFile,
    private readonly seed: number,
  ) {
    this.highest = file.inOrder ? file.first - 1 : 0
  }

  /** Numbers that have a row in it. */
  get lines(): number {
    return this.seen.size
  }

  place(further = 0): Place {
    return { file: this.file.name, lineNumber: this.lineNumber + further }
  }

  row(bytes: Buffer, start: number, end: number): boolean {
    this.lineNumber++
    if (isCut(bytes, start, end)) {
      this.rows.note(this.place(), 'the row was cut off by a power cut, as the start after it says')
      return true
    }
    if (!passes(bytes, start, end, this.seed)) return this.fails(bytes.toString('utf8', start, end))
    const seq = seqOf(bytes, start, end)
    if (seq === undefined) this.heading(textOf(bytes, start, end))
    else if (seq <= this.file.last || !this.file.inOrder) this.numbered(bytes, start, end, seq)
    return true
  }

  private fails(row: string): boolean {
    const [kind, , , storeId, , name] = row.split(',')
    if (this.lineNumber === 1 && kind === 'file' && this.tellForeign(storeId, name)) {
      this.isForeign = true
      return false
    }
    const seq = /^[a-z"]{2,18}[,;\t]"?(\d{1,15})"?[,;\t]/.exec(row)?.[1]
    this.rows.bad(this.place(), row, seq === undefined ? undefined : Number(seq), this.highest)
    return true
  }

  /** The header of a file says whose it is and what it was called; nothing else in it can pass where that is another. */
  private tellForeign(storeId: string | undefined, name: string | undefined): boolean {
    const ours = this.rows.storeId
    if (storeId !== undefined && storeId !== ours && /^[A-Za-z0-9-]{4,64}$/.test(storeId))
      this.rows.problem('foreign', this.place(), `the file belongs to another store, ${storeId}`)
    else if (name !== undefined && name !== this.file.name && /^lines-[\d-]+\.csv$/.test(name))
      this.rows.problem('foreign', this.place(), `the file was renamed or copied: it was written as ${name}`)
    else return false
    return true
  }

  private heading(text: string): void {
    if (readHeader(text, this.file.name) === undefined) this.rows.columns(text)
  }

  private numbered(bytes: Buffer, start: number, end: number, seq: number): void {
    const text = textOf(bytes, start, end)
    const hash = hashOf(text)
    const before = this.seen.get(seq)
    if (before !== undefined) return this.second(seq, before === hash)
    this.seen.set(seq, hash)
    if (this.file.inOrder) this.inOrder(seq)
    this.highest = Math.max(this.highest, seq)
    this.rows.line(this.place(), seq, text)
    this.special(bytes, start, end, text)
  }

  private second(seq: number, isSame: boolean): void {
    if (!isSame)
      return this.rows.problem(
        'inserted',
        this.place(),
        `number ${seq} has a row already, with another content`,
        seq,
      )
    // An archive may write again what it could not sync.
    if (this.file.inOrder)
      this.rows.problem('double', this.place(), `the row of number ${seq} stands here a second time`, seq)
  }

  private inOrder(seq: number): void {
    if (seq < this.highest)
      return this.rows.problem(
        'swapped',
        this.place(),
        `number ${seq} stands behind number ${this.highest}`,
        seq,
        this.highest,
      )
    if (seq > this.highest + 1) this.rows.jump(this.place(), this.highest + 1, seq - 1)
  }

  private special(bytes: Buffer, start: number, end: number, text: string): void {
    if (beginsWith(bytes, start, end, skipWord)) {
      const line = parseLine(text, new Map())
      if (line?.kind === 'skip') this.rows.skip(line)
    } else if (beginsWith(bytes, start, end, sealWord)) {
      const said = readSeal(text)
      if (said) this.rows.seals.push({ ...this.place(), said, text })
    } else if (beginsWith(bytes, start, end, goneWord)) {
      const said = readGone(text)
      if (said) this.rows.gone.push({ ...this.place(), said, text })
    } else if (beginsWith(bytes, start, end, eventWord) && text.includes(`,${handOverName},`))
      this.keyLine(text)
  }

  private keyLine(text: string): void {
    const line = parseLine(text, new Map())
    const said = line?.kind === 'event' ? readHandOver(line) : undefined
    if (line && said) this.rows.handOvers.push({ ...this.place(), said, text, seq: line.seq })
  }
}
