import type { FaultBoard } from '../health/health.js'
import { addSeconds, faultCodes, monoSeconds, type Fault, type MonoSeconds } from '../terms/terms.js'

/** A second loss within this is an adapter that resets; told once, and over when there was none for as long. */
const unsteadyWithinSeconds = 3600
/** An unsteady port that stays away for longer is gone as well. */
const briefSeconds = 60

/** Those of an opening that failed; the other two are told of a loss. */
const openFaults = faultCodes.filter(
  (code) => /^(port|line)-/.test(code) && code !== 'port-gone' && code !== 'port-unsteady',
)

/**
 * How often a line was lost, and what is told of it: the first loss as it is, further ones within an hour as one fault
 * that stands, so that an adapter which resets all day is one alert and not hundreds.
 */
export class LineLosses {
  total = 0
  private lostAt: MonoSeconds = monoSeconds(-Infinity)
  private away = false
  private unsteady = false

  constructor(
    private readonly where: string,
    private readonly faults: FaultBoard,
  ) {}

  lost(detail: string, now: MonoSeconds): void {
    const again = now < addSeconds(this.lostAt, unsteadyWithinSeconds)
    this.total++
    this.lostAt = now
    this.away = true
    if (again) this.unsteady = true
    const code = this.unsteady ? 'port-unsteady' : 'port-gone'
    this.faults.raise(this.where, { code, detail }, now)
  }

  failedToOpen(fault: Fault, now: MonoSeconds): void {
    const told = this.explains(fault, now) ? undefined : fault.code
    this.faults.clear(this.where, ...openFaults.filter((other) => other !== told))
    if (told) this.faults.raise(this.where, fault, now)
  }

  /** True where it is only the same loss still, and nothing else is to be told. */
  private explains({ code, detail }: Fault, now: MonoSeconds): boolean {
    if (!this.away || (code !== 'port-missing' && code !== 'line-unreachable')) return false
    if (!this.unsteady || now >= addSeconds(this.lostAt, briefSeconds))
      this.faults.raise(this.where, { code: 'port-gone', detail }, now)
    return true
  }

  /** The line is open again. */
  opened(): void {
    this.away = false
    this.faults.clear(this.where, 'port-gone', ...openFaults)
  }

  /** To be called now and then: ends what has been steady for long enough. */
  look(now: MonoSeconds): void {
    if (!this.unsteady || now < addSeconds(this.lostAt, unsteadyWithinSeconds)) return
    this.unsteady = false
    this.faults.clear(this.where, 'port-unsteady')
  }
}
