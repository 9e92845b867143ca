/** What a collector is told and given, and what it takes. */
import type {
  BackoffBounds,
  Broker,
  ColumnSet,
  Fault,
  FaultCode,
  Outcome,
  Random,
  RangeSet,
  UtcMillis,
} from '../terms/terms.js'
import { usualPackLimits, type PackLimits, type UnpackedLine } from '../uplink/uplink.js'
import type { JudgeRules } from './judge.js'
import type { Spool, Spooled } from './spool.js'
import type { Reason } from './standing.js'

/** What became of lines. */
export interface AddedLines {
  readonly added: number
  readonly doubles: number
  readonly conflicts: readonly number[]
  readonly refused: number
}

/** A line's canonical text and the number it says. */
export type ArrivedLine = Pick<UnpackedLine, 'seq' | 'text'>

export interface StoreOfLines {
  readonly station: string
  readonly storeId: string
}

export interface TakenLines {
  readonly lines: readonly ArrivedLine[]
  /** The columns of the records among them. */
  readonly sets: readonly ColumnSet[]
}

/** The kept lines of one store. */
export interface Archive {
  /**
   * Adds what is not there yet. Lines whose number has another text are kept aside and named; `refused` are those that
   * cannot be kept at all. Faults are disk-*; the same lines may then be given again.
   */
  add(lines: readonly ArrivedLine[], sets: readonly ColumnSet[]): Promise<Outcome<AddedLines>>
  sync(): Promise<Outcome<void>>
  /** The numbers of all lines here, and those that its skip lines say were never given. */
  ranges(): RangeSet
}

export interface CollectorOptions {
  readonly group: string
  readonly limits: PackLimits
  readonly backoff: BackoffBounds
  /** Packs that wait for the disk; of more the newest are refused, and their station sends them again. */
  readonly mostWaiting: number
  readonly mostWaitingBytes: number
  /** Archives that are open at one time. */
  readonly mostStores: number
  /** By which stations are judged; left out: the usual ones. */
  readonly rules?: JudgeRules
}

export const usualCollector = {
  limits: usualPackLimits,
  backoff: { firstSeconds: 5, mostSeconds: 300 },
  mostWaiting: 1000,
  mostWaitingBytes: 64 << 20,
  mostStores: 10_000,
} as const

/** Of stations whatever was heard of them. */
export interface Roll {
  /** They ought to be there. */
  readonly expected: readonly string[]
  /** Somebody took them away: their silence is none. */
  readonly retired: ReadonlySet<string>
}

export interface CollectorPorts {
  readonly broker: Broker
  readonly random: Random
  /** Opens the archive of a store, making it if need be. */
  openArchive(store: { group: string; station: string; storeId: string }): Promise<Outcome<Archive>>
  /** Where packs are kept from their arrival until an archive has them, and what a run before left there; absent: in memory only. */
  readonly spooled?: { readonly spool: Spool; readonly left: readonly Spooled[] }
  readonly faults: { raise(fault: Fault): void; clear(...codes: FaultCode[]): void }
  /** Left out, or undefined: no clock is trusted, and no message has a time. */
  readonly utc?: () => UtcMillis | undefined
  /** Asked with each judging; left out: only who was heard is judged. */
  readonly roll?: () => Roll
  /** What else makes a station suspect, found in its lines say. */
  readonly suspicions?: (station: string) => readonly Reason[]
}
