import type {
  BackoffBounds,
  Broker,
  ColumnSet,
  Fault,
  FaultCode,
  Outcome,
  Random,
  Range,
  StageCounts,
} from '../terms/terms.js'
import type { LedgerOptions } from './ledger.js'
import type { LinkState } from './link.js'
import type { LinkCost } from './meter.js'
import type { PackForm, PackLine } from './pack.js'

export interface UplinkOptions extends LedgerOptions, PackForm {
  readonly group: string
  readonly station: string
  readonly packEverySeconds: number
  /** 'kept': the connection stays; 'per-pack': it is made for each pack time and ended after. */
  readonly connection: 'kept' | 'per-pack'
  readonly backoff: BackoffBounds
  /** MQTT 5: the will waits so long for the station to come back. */
  readonly willDelaySeconds: number
  /** What the connection is made of, for the estimate of what it costs. */
  readonly cost: LinkCost
  /** All-in, in 24 hours: what is old waits when it is used up. Absent: no limit. */
  readonly dailyBudgetBytes?: number
}

export const usualUplink = {
  encoding: 'cbor',
  compress: true,
  mostPackLines: 240,
  receipts: 'required',
  resendAfterSeconds: 7200,
  packEverySeconds: 3600,
  connection: 'kept',
  backoff: { firstSeconds: 5, mostSeconds: 900 },
  willDelaySeconds: 120,
  cost: { encrypted: true, keepaliveSeconds: 1200 },
} as const

export interface LineSource {
  readonly storeId: string
  /** The lines whose numbers are within from and to, in order. */
  linesAsText(from: number, to: number): Promise<Outcome<readonly PackLine[]>>
  columnSet(id: string): ColumnSet | undefined
}

export interface UplinkPorts {
  readonly broker: Broker
  readonly store: LineSource
  readonly random: Random
  /** First eight hex digits of the boot id. */
  readonly boot: string
  readonly faults: { raise(fault: Fault): void; clear(...codes: FaultCode[]): void }
}

/** As health shows it. */
export interface UplinkStatus {
  readonly state: LinkState
  readonly for_s: number
  readonly next_attempt_s?: number
  readonly failures: number
  readonly last_fault?: Fault
  /** Numbers: safe here up to, sent and waiting for a receipt (count), safe away without a gap up to. */
  readonly safe: number
  readonly sent: number
  readonly safe_away: number
  /** Lines not sent yet. */
  readonly backlog: number
  /** What waits because the budget is used up. */
  readonly waits: 'nothing' | 'old lines' | 'all lines'
  readonly budget: {
    readonly last_24_h_kb: number
    readonly budget_kb?: number
    readonly failed_attempts_24_h: number
  }
  /** Numbers that the broker did not take, each tried alone; `resend` asks for them again. */
  readonly parked?: readonly Range[]
  readonly lines: StageCounts
  readonly packs_acknowledged: number
  readonly retained_waiting: number
  readonly retained_refused: number
  readonly bytes_sent: number
  readonly bytes_received: number
  readonly receipt_age_s?: number
  /** Since the own message on alive came back (without receipts). */
  readonly round_trip_age_s?: number
  /** Since attempts and messages are without any answer. */
  readonly unanswered_s?: number
}
