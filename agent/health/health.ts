/**
 * health: which faults stand, since when, how often; and the message that carries them.
 *
 * In: faults raised and cleared by key (a code and where it stands), numbers of every stage.
 * Out: changes, so that the log and the health message speak once per change and not once per attempt.
 * Assumed: whoever raises a fault clears it. Refused: nothing.
 */
import {
  faultCatalogue,
  type Fault,
  type FaultCode,
  type MonoSeconds,
  type Severity,
} from '../terms/terms.js'

export interface StandingFault extends Fault {
  readonly since: MonoSeconds
  /** How often it was raised since it last stood; an adapter that resets all day is one fault with a large number. */
  readonly times: number
}

export interface FaultChange {
  readonly fault: Fault
  readonly stands: boolean
}

/** Distinct (code, where) pairs that are remembered; beyond it the newest are only counted. */
const mostFaults = 64

export class FaultBoard {
  private readonly standing = new Map<string, StandingFault>()
  private readonly timesByCode = new Map<FaultCode, number>()

  constructor(private readonly onChange: (change: FaultChange) => void) {}

  /** @param where what the fault stands on ('port 1', 'broker'); the same code may stand in several places. */
  raise(where: string, fault: Fault, now: MonoSeconds): void {
    this.timesByCode.set(fault.code, (this.timesByCode.get(fault.code) ?? 0) + 1)
    const key = `${fault.code} ${where}`
    const known = this.standing.get(key)
    if (known) {
      this.standing.set(key, { ...fault, since: known.since, times: known.times + 1 })
      return
    }
    if (this.standing.size >= mostFaults) return
    this.standing.set(key, { ...fault, since: now, times: 1 })
    this.onChange({ fault, stands: true })
  }

  clear(where: string, ...codes: readonly FaultCode[]): void {
    for (const code of codes) {
      const key = `${code} ${where}`
      const fault = this.standing.get(key)
      if (!fault) continue
      this.standing.delete(key)
      this.onChange({ fault, stands: false })
    }
  }

  list(): readonly StandingFault[] {
    return [...this.standing.values()]
  }

  times(code: FaultCode): number {
    return this.timesByCode.get(code) ?? 0
  }

  /** The worst severity that stands; undefined when nothing does. */
  worst(): Severity | undefined {
    const order: readonly Severity[] = ['trouble', 'warning', 'note']
    return order.find((severity) =>
      this.list().some((fault) => faultCatalogue[fault.code].severity === severity),
    )
  }
}
