/** Reads on in the files of an archive from the marks, and gives what came as batches for one transaction each. */
import { fileStart, folderFiles, followFile, type FileMark, type Followed } from '../store/store.js'
import {
  bad,
  done,
  good,
  parseColumnSet,
  parseLine,
  type ColumnSet,
  type Outcome,
  type SqlSession,
} from '../terms/terms.js'
import type { ArchivedStore, SqlPorts } from './options.js'
import type { StagedLine } from './rows.js'
import { findStore, insertStore, knownSets, marksOf } from './statements.js'
import type { Batch } from './write.js'

/** Lines read between two breaths: some milliseconds. */
const linesAtOnce = 250

/** What a batch left out. */
export interface LeftOut {
  double: number
  damaged: number
  /** Not a line of this release, or a record of columns that nobody explains. */
  unexplained: number
}

interface Gathering {
  readonly lines: Map<string, StagedLine>
  readonly sets: Map<string, ColumnSet>
  readonly marks: Map<string, Batch['marks'][number]>
  readonly leftOut: LeftOut
  taken: number
}

export type Gathered = Batch & Pick<Gathering, 'leftOut' | 'taken'>

export class Follower {
  private readonly storeNos = new Map<string, number>()
  private readonly marks = new Map<string, FileMark>()
  private readonly sets = new Map<string, ColumnSet>()
  private gathering = empty()

  constructor(
    private readonly session: SqlSession,
    private readonly group: string,
    private readonly mostLines: number,
    private readonly ports: Pick<SqlPorts, 'disk' | 'breathe'>,
  ) {}

  /** Learns from the database how far it is. Faults: sql-*. */
  async load(feed: string): Promise<Outcome<void>> {
    const marks = await this.session.query(marksOf, [feed])
    if (!marks.ok) return marks
    for (const { store_no, file, bytes, last_crc } of marks.value)
      this.marks.set(`${store_no} ${file}`, { bytes: Number(bytes), lastCrc: last_crc ?? '' })
    const sets = await this.session.query(knownSets)
    if (!sets.ok) return sets
    for (const { heading } of sets.value) {
      const set = parseColumnSet(heading ?? '')
      if (set) this.sets.set(set.id, set)
    }
    return done
  }

  get isFull(): boolean {
    return this.gathering.taken >= this.mostLines
  }

  /** What was gathered since the last call. */
  batch(): Gathered {
    const { lines, sets, marks, ...rest } = this.gathering
    this.gathering = empty()
    return { ...rest, lines: [...lines.values()], sets: [...sets.values()], marks: [...marks.values()] }
  }

  /** Gathers what is new in a store; false when the batch is full before its end. Faults: sql-*, disk-*, store-foreign. */
  async gather(store: ArchivedStore): Promise<Outcome<boolean>> {
    await this.ports.breathe()
    const storeNo = await this.storeNo(store)
    if (!storeNo.ok) return storeNo
    const disk = this.ports.disk(store)
    const folder = await folderFiles(disk)
    if (!folder.ok) return folder
    if (folder.value && folder.value.identity.storeId !== store.storeId)
      return bad('store-foreign', `${disk.name}: the store ${folder.value.identity.storeId}`)
    for (const { name } of folder.value?.files ?? []) {
      const size = await disk.size(name)
      if (!size.ok) return size
      const read = await this.file(store, storeNo.value, name, size.value)
      if (!read.ok || !read.value) return read
    }
    return good(true)
  }

  private async file(
    store: ArchivedStore,
    storeNo: number,
    file: string,
    size: number,
  ): Promise<Outcome<boolean>> {
    const key = `${storeNo} ${file}`
    for (;;) {
      const mark = this.marks.get(key) ?? fileStart
      if (mark.bytes === size) return good(true)
      if (this.isFull) return good(false)
      const followed = await followFile(this.ports.disk(store), store.storeId, file, mark, linesAtOnce)
      if (!followed.ok) return followed
      if (followed.value.mark.bytes === mark.bytes) return good(true)
      this.take(storeNo, followed.value)
      this.marks.set(key, followed.value.mark)
      this.gathering.marks.set(key, { storeNo, file, ...followed.value.mark })
      await this.ports.breathe()
      if (followed.value.isWhole) return good(true)
    }
  }

  private take(storeNo: number, { lines, sets, damaged }: Followed): void {
    const { leftOut, lines: into } = this.gathering
    for (const set of sets) {
      if (!this.sets.has(set.id)) this.gathering.sets.set(set.id, set)
      this.sets.set(set.id, set)
    }
    leftOut.damaged += damaged
    this.gathering.taken += lines.length + damaged
    for (const { seq, text } of lines) {
      const key = `${storeNo} ${seq}`
      const line = parseLine(text, this.sets)
      if (!line) leftOut.unexplained++
      else if (into.has(key)) leftOut.double++
      else into.set(key, { storeNo, line, text })
    }
  }

  private async storeNo({ station, storeId }: ArchivedStore): Promise<Outcome<number>> {
    const key = `${station}/${storeId}`
    const known = this.storeNos.get(key)
    if (known !== undefined) return good(known)
    const values = [this.group, station, storeId]
    const found = await this.session.query(findStore, values)
    if (!found.ok) return found
    if (found.value.length === 0) {
      const made = await this.session.query(insertStore, values)
      return made.ok ? this.storeNo({ station, storeId }) : made
    }
    const storeNo = Number(found.value[0].store_no)
    this.storeNos.set(key, storeNo)
    return good(storeNo)
  }
}

const empty = (): Gathering => ({
  lines: new Map(),
  sets: new Map(),
  marks: new Map(),
  leftOut: { double: 0, damaged: 0, unexplained: 0 },
  taken: 0,
})
