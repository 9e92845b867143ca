/** What a look at every line of a store finds: findings spoil or lack something, notes explain. */
import { readFile } from 'node:fs/promises'
import { join } from 'node:path'
import {
  eachFoundLine,
  namedStore,
  readFoundLine,
  readHeading,
  type FoundLine,
  type LinePlace,
} from '../store/store.js'
import { faultText, RangeSet, type ColumnSet, type Line, type SkipLine } from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import { Progress } from './progress.js'

export type FindingKind =
  | 'unreadable'
  | 'other-store'
  | 'damaged-file'
  | 'damaged'
  | 'not-of-this-format'
  | 'no-columns'
  | 'same-number'
  | 'missing'
  | 'conflicts'

export interface Finding {
  readonly kind: FindingKind
  readonly words: string
  readonly file?: string
  readonly line?: number
  readonly byte?: number
  readonly from?: number
  readonly to?: number
}

export interface StoreCheck {
  readonly files: number
  /** Lines with a number whose CRC passes. */
  readonly lines: number
  readonly byKind: Readonly<Record<string, number>>
  readonly first: number | undefined
  readonly last: number | undefined
  /** The first thousand. */
  readonly findings: readonly Finding[]
  readonly findingCount: number
  readonly notes: readonly string[]
}

const mostFindings = 1000
const mostDoubles = 10_000

export async function checkStore(store: DeskStore): Promise<StoreCheck> {
  const look = new Look(store)
  const sets = await columnSets(store)
  const progress = new Progress(`looking at every line of ${store.station}`)
  for (const [i, { name }] of store.files.entries()) {
    const notBelow = store.isArchive ? Infinity : (store.files[i + 1]?.first ?? Infinity)
    await look.file(name, sets, notBelow)
    progress.show((i + 1) / store.files.length)
  }
  await look.compareDoubles()
  look.numbers()
  await look.setAside()
  return look.result()
}

/** A columns line explains records wherever they stand, so all are learned first. */
async function columnSets({ disk, storeId, files }: DeskStore): Promise<Map<string, ColumnSet>> {
  const sets = new Map<string, ColumnSet>()
  for (const { name } of files)
    await eachFoundLine(disk, storeId, [name], (found) => {
      if (found.state === 'heading') readHeading(found.text, name, sets)
    })
  return sets
}

class Look {
  private readonly findings: Finding[] = []
  private findingCount = 0
  private readonly notes: string[] = []
  private readonly seen = new RangeSet()
  private readonly skipped = new RangeSet()
  /** Numbers that damaged and cut lines seem to have had. */
  private readonly spoilt = new RangeSet()
  private readonly doubles = new Set<number>()
  private readonly byKind: Record<string, number> = {}
  private lines = 0
  private cut = 0
  private superseded = 0

  constructor(private readonly store: DeskStore) {}

  async file(name: string, sets: ReadonlyMap<string, ColumnSet>, notBelow: number): Promise<void> {
    const damaged: Extract<FoundLine, { state: 'damaged' }>[] = []
    let whole = 0
    const read = await eachFoundLine(this.store.disk, this.store.storeId, [name], (found) => {
      if (found.state === 'damaged') damaged.push(found)
      else if (found.state === 'cut') this.takeCut(found.seq)
      else if (found.state === 'not-yet') this.noteTail(found)
      else {
        whole++
        if (found.state === 'line') this.takeLine(found, sets, notBelow)
      }
    })
    if (!read.ok) this.find({ kind: 'unreadable', file: name, words: faultText(read.fault) })
    if (whole === 0 && damaged.length > 0) this.findSpoiltFile(name, damaged)
    else for (const one of damaged) this.findDamaged(one)
  }

  private takeLine(
    found: Extract<FoundLine, { state: 'line' }>,
    sets: ReadonlyMap<string, ColumnSet>,
    notBelow: number,
  ): void {
    this.lines++
    const line = readFoundLine(found.text, sets)
    if (line === undefined) return this.findForeign(found)
    if (line === 'unexplained') this.findUnexplained(found)
    else this.count(line)
    if (found.seq >= notBelow) return void this.superseded++
    if (this.seen.has(found.seq) && this.doubles.size < mostDoubles) this.doubles.add(found.seq)
    this.seen.add(found.seq)
  }

  private count(line: Line): void {
    this.byKind[line.kind] = (this.byKind[line.kind] ?? 0) + 1
    if (line.kind === 'skip') this.takeSkip(line)
  }

  private takeSkip({ seq, from, to, damaged }: SkipLine): void {
    this.skipped.add(from, to)
    const numbers = from === to ? `number ${from} has` : `numbers ${from} to ${to} have`
    if (from > seq)
      this.notes.push(`${numbers} no line: dropped while the disk could not be written (skip line ${seq})`)
    else if (damaged > 0)
      this.notes.push(
        `${numbers} no line: a start found ${damaged} damaged lines and went on above (skip line ${seq})`,
      )
    else this.notes.push(`${numbers} no line: left out by a start (skip line ${seq})`)
  }

  private takeCut(seq: number | undefined): void {
    this.cut++
    if (seq !== undefined) this.spoilt.add(seq)
  }

  private noteTail({ file, lineNumber }: LinePlace): void {
    this.notes.push(`${file}, line ${lineNumber} has no end yet: it is being written, or was cut off`)
  }

  private find(finding: Finding): void {
    this.findingCount++
    if (this.findings.length < mostFindings) this.findings.push(finding)
  }

  private findDamaged({
    file,
    lineNumber,
    offset,
    seq,
    head,
  }: Extract<FoundLine, { state: 'damaged' }>): void {
    if (seq !== undefined) this.spoilt.add(seq)
    const number = seq === undefined ? '' : `; it seems to have been number ${seq}`
    const words = `the CRC does not pass${number}: ${JSON.stringify(head)}`
    this.find({ kind: 'damaged', ...placeOf({ file, lineNumber, offset }), words })
  }

  /** One cause, not a thousand: the CRC of every line is bound to the store and to the name of the file. */
  private findSpoiltFile(file: string, damaged: readonly Extract<FoundLine, { state: 'damaged' }>[]): void {
    for (const { seq } of damaged) if (seq !== undefined) this.spoilt.add(seq)
    const other = namedStore(damaged[0].head)
    if (other !== undefined && other !== this.store.storeId)
      return this.find({ kind: 'other-store', file, words: `this file belongs to another store, ${other}` })
    const words = `none of its ${damaged.length} lines passes: the file was renamed, or saved by a spreadsheet or editor`
    this.find({ kind: 'damaged-file', file, words })
  }

  private findForeign(found: Extract<FoundLine, { state: 'line' }>): void {
    const words = `number ${found.seq}: the CRC passes, but the text is not as this program writes it`
    this.find({ kind: 'not-of-this-format', ...placeOf(found), words })
  }

  private findUnexplained(found: Extract<FoundLine, { state: 'line' }>): void {
    const words = `number ${found.seq}: no columns line says what this record's values are`
    this.find({ kind: 'no-columns', ...placeOf(found), words })
  }

  /** Numbers that stand twice: the same text is harmless, another is never merged. */
  async compareDoubles(): Promise<void> {
    if (this.doubles.size === 0) return
    const places = new Map<number, { text: string; at: LinePlace }[]>()
    const names = this.store.files.map(({ name }) => name)
    await eachFoundLine(this.store.disk, this.store.storeId, names, (found) => {
      if (found.state !== 'line' || !this.doubles.has(found.seq)) return
      const { file, lineNumber, offset } = found
      const all = places.get(found.seq) ?? []
      places.set(found.seq, [...all, { text: found.text, at: { file, lineNumber, offset } }])
    })
    let same = 0
    for (const [seq, copies] of places) {
      const other = copies.find(({ text }) => text !== copies[0].text)
      if (!other) same++
      else this.findDouble(seq, copies[0].at, other.at)
    }
    if (same > 0) this.notes.push(`lines that stand twice with the same content: ${same}; each counts once`)
  }

  private findDouble(seq: number, first: LinePlace, other: LinePlace): void {
    const words = `number ${seq} stands here with another content than in ${first.file}, line ${first.lineNumber}; the first counts`
    this.find({ kind: 'same-number', ...placeOf(other), words })
  }

  /** From 1 to the highest, each number has a line, or a skip line that says why not. */
  numbers(): void {
    const accounted = RangeSet.from([...this.seen.ranges(), ...this.skipped.ranges()])
    const explained = RangeSet.from([...accounted.ranges(), ...this.spoilt.ranges()])
    const last = accounted.ranges().at(-1)?.[1] ?? 0
    for (const [from, to] of explained.gaps(1, last)) {
      const numbers = from === to ? `number ${from} is` : `numbers ${from} to ${to} are`
      const why = this.store.isArchive ? 'it has not arrived' : 'no skip line says why'
      this.find({ kind: 'missing', from, to, words: `${numbers} missing: ${why}` })
    }
  }

  /** What earlier starts, or the collector, kept aside for people. */
  async setAside(): Promise<void> {
    const aside = await linesIn(join(this.store.folder, 'conflicts.txt'))
    if (aside > 0)
      this.find({
        kind: 'conflicts',
        file: 'conflicts.txt',
        words: `lines that came under a number that another line had: ${aside}; look for a cloned card or a folder copied back`,
      })
    const damaged = await linesIn(join(this.store.folder, 'damaged.txt'))
    if (damaged > 0) this.notes.push(`damaged lines of which starts put a copy into damaged.txt: ${damaged}`)
  }

  result(): StoreCheck {
    if (this.cut > 0)
      this.notes.push(`lines cut off by a power cut, and ended by the start after it: ${this.cut}`)
    if (this.superseded > 0)
      this.notes.push(`lines passed over because a later file holds their numbers: ${this.superseded}`)
    const ranges = this.seen.ranges()
    return {
      files: this.store.files.length,
      lines: this.lines,
      byKind: this.byKind,
      first: ranges[0]?.[0],
      last: ranges.at(-1)?.[1],
      findings: this.findings,
      findingCount: this.findingCount,
      notes: this.notes,
    }
  }
}

const placeOf = ({ file, lineNumber, offset }: LinePlace) => ({ file, line: lineNumber, byte: offset })

async function linesIn(path: string): Promise<number> {
  const text = await readFile(path, 'utf8').catch(() => '')
  return text.split('\n').filter((line) => line !== '').length
}
