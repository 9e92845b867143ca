/** What a sink is told and given. */
import type { BackoffBounds, Disk, Fault, FaultCode, Outcome, Random, SqlDatabase } from '../terms/terms.js'

/** An archived store of one station. */
export interface ArchivedStore {
  readonly station: string
  readonly storeId: string
}

export interface SqlOptions {
  readonly group: string
  /** The archive that is followed: a random word that stays with its folder. */
  readonly feed: string
  /** Text of the statements that make the tables (config/postgres.sql). */
  readonly schema: string
  /** Lines in one transaction. */
  readonly mostLines: number
  readonly backoff: BackoffBounds
  /** All stores are looked at so often, whether anything was said of them or not. */
  readonly surveyEverySeconds: number
  /** When lines wait for longer, it is told. */
  readonly behindAfterSeconds: number
}

export const usualSql = {
  mostLines: 1000,
  backoff: { firstSeconds: 5, mostSeconds: 300 },
  surveyEverySeconds: 3600,
  behindAfterSeconds: 900,
} as const

export interface SqlPorts {
  readonly database: SqlDatabase
  readonly random: Random
  /** All stores of the archive. */
  stores(): Promise<Outcome<readonly ArchivedStore[]>>
  /** To read one of them; nothing is written. */
  disk(store: ArchivedStore): Disk
  /** Lets everything else have its turn. */
  breathe(): Promise<void>
  readonly faults: { raise(fault: Fault): void; clear(...codes: FaultCode[]): void }
}

export interface SqlStatus {
  readonly state: 'following' | 'catching-up' | 'waiting'
  /** Stores of which lines may wait. */
  readonly storesWaiting: number
  /** For how long the oldest of them has waited. */
  readonly behindSeconds: number
  /** Lines. */
  readonly taken: number
  readonly given: number
  readonly refused: Readonly<Record<string, number>>
}
