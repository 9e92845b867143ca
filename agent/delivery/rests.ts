import { addSeconds, faultCatalogue, type Fault, type FaultCode, type MonoSeconds } from '../terms/terms.js'
import type { DeliveryOptions, DeliveryPorts, WayName } from './contracts.js'

export interface Rest {
  readonly failures: number
  readonly until: MonoSeconds
  /** Waiting alone will not help. */
  readonly isFinal: boolean
  readonly code?: FaultCode
}

const keyOf = (alias: string, way: WayName): string => `${alias} ${way}`
/** Where the fault of a way stands. */
const placeOf = (alias: string, way: WayName): string => `${way} to ${alias}`

/** How long each way to each recipient is left alone after it failed. The fault stands until the way works again. */
export class Rests {
  private readonly rests = new Map<string, Rest>()

  constructor(
    private readonly options: DeliveryOptions,
    private readonly ports: Pick<DeliveryPorts, 'random' | 'faults'>,
  ) {}

  /** Undefined: it may be tried now. */
  of(alias: string, way: WayName, now: MonoSeconds): Rest | undefined {
    const rest = this.rests.get(keyOf(alias, way))
    return rest && rest.until > now ? rest : undefined
  }

  failed(alias: string, way: WayName, fault: Fault, now: MonoSeconds): void {
    const before = this.rests.get(keyOf(alias, way))
    const isFinal = !faultCatalogue[fault.code].transient
    const failures = (before?.failures ?? 0) + 1
    const seconds = isFinal ? this.options.longestRetrySeconds : this.waitSeconds(failures)
    this.rests.set(keyOf(alias, way), {
      failures,
      until: addSeconds(now, seconds),
      isFinal,
      code: fault.code,
    })
    if (before?.code && before.code !== fault.code) this.ports.faults.clear(placeOf(alias, way), before.code)
    this.ports.faults.raise(placeOf(alias, way), fault, now)
  }

  worked(alias: string, way: WayName): void {
    const rest = this.rests.get(keyOf(alias, way))
    if (rest?.code) this.ports.faults.clear(placeOf(alias, way), rest.code)
    this.rests.delete(keyOf(alias, way))
  }

  /** A board that the sending itself resets must not send at each start. */
  afterStart(alias: string, way: WayName, failures: number, now: MonoSeconds): void {
    const until = addSeconds(now, this.waitSeconds(failures))
    this.rests.set(keyOf(alias, way), { failures, until, isFinal: false })
  }

  /** Doubles, and is spread so that several stations do not come at once. */
  private waitSeconds(failures: number): number {
    const { firstRetrySeconds, longestRetrySeconds } = this.options
    const doubled = firstRetrySeconds * 2 ** Math.min(failures - 1, 20)
    return Math.min(doubled, longestRetrySeconds) * (1 + this.ports.random.next() / 4)
  }
}
