/** A sink between archives on disks in memory and a real PostgreSQL, in virtual time. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { postgres } from '../../agent/hardware/postgres.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { SqlSink, usualSql, type ArchivedStore, type SqlOptions } from '../../agent/sql/sql.js'
import { openArchive, type Archive } from '../../agent/store/store.js'
import {
  addSeconds,
  canonicalLine,
  good,
  monoSeconds,
  type ColumnSet,
  type Fault,
  type FaultCode,
  type Line,
  type MonoSeconds,
  type SqlDatabase,
} from '../../agent/terms/terms.js'
import type { Postgres } from '../support/postgres.js'
import { set, value } from '../store/support.js'

const schema = readFileSync(join(import.meta.dirname, '../../config/postgres.sql'), 'utf8')

export const databaseAt = (port: number): SqlDatabase =>
  postgres({
    ...{ host: '127.0.0.1', port, database: 'motepost', user: 'motepost', tls: false },
    ...{ connectSeconds: 10, statementSeconds: 60 },
  })

export class Rig {
  readonly stores = new Map<string, { store: ArchivedStore; disk: MemoryDisk; archive: Archive }>()
  readonly standing = new Map<FaultCode, Fault>()
  now: MonoSeconds = monoSeconds(1000)
  sink: SqlSink

  constructor(
    private readonly server: Postgres,
    options: Partial<SqlOptions> = {},
    readonly database: SqlDatabase = databaseAt(server.port),
  ) {
    this.sink = this.newSink(options)
  }

  /** As after a restart of the collector. */
  newSink(options: Partial<SqlOptions> = {}): SqlSink {
    return (this.sink = new SqlSink(
      { ...usualSql, group: 'rig', feed: 'rig-feed', schema, ...options },
      {
        database: this.database,
        random: { next: () => 0.99 },
        stores: () => Promise.resolve(good([...this.stores.values()].map(({ store }) => store))),
        disk: ({ storeId }) => this.stores.get(storeId)!.disk,
        breathe: () => Promise.resolve(),
        faults: {
          raise: (fault) => void this.standing.set(fault.code, fault),
          clear: (...codes) => codes.forEach((code) => this.standing.delete(code)),
        },
      },
    ))
  }

  /** Lines come into the archive of a store, are synced, and the sink is told. */
  async come(storeId: string, lines: readonly Line[], station = 'hill', sets: readonly ColumnSet[] = [set]) {
    const known = this.stores.get(storeId) ?? (await this.open(storeId, station))
    const texts = lines.map((line) => ({ seq: line.seq, text: canonicalLine(line, setOf(line, sets)) }))
    const added = value(await known.archive.add(texts, sets))
    value(await known.archive.sync())
    this.sink.changed(known.store)
    return added
  }

  private async open(storeId: string, station: string) {
    const disk = new MemoryDisk()
    const archive = value(await openArchive({ disk, storeId, station, linesRange: 1024 }))
    const made = { store: { station, storeId }, disk, archive }
    this.stores.set(storeId, made)
    return made
  }

  /** Time goes on, and what that starts has ended. */
  async pass(seconds = 5): Promise<void> {
    this.now = addSeconds(this.now, seconds)
    this.sink.step(this.now)
    await this.sink.settled()
  }

  ask(question: string): string {
    return this.server.ask(question)
  }

  count(table: string): number {
    return Number(this.ask(`SELECT count(*) FROM motepost.${table}`))
  }
}

const setOf = (line: Line, sets: readonly ColumnSet[]): ColumnSet | undefined =>
  line.kind === 'record' ? sets.find(({ id }) => id === line.set) : undefined
