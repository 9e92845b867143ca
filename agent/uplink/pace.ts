import type { FaultCode, MonoSeconds } from '../terms/terms.js'
import type { Ledger } from './ledger.js'
import type { Link } from './link.js'
import { Meter } from './meter.js'
import type { UplinkOptions, UplinkPorts, UplinkStatus } from './options.js'

/** A link that has failed all day, or cost all it may, is tried no more often than this. */
const wornSeconds = 3600

/** How much may go, and how often it may be tried: the budget of the day, and who is told what waits for it. */
export class Pace {
  private readonly meter: Meter
  private triedAt = -Infinity
  private waited: UplinkStatus['waits'] = 'nothing'

  constructor(
    { cost, dailyBudgetBytes }: UplinkOptions,
    private readonly ledger: Ledger,
    private readonly faults: UplinkPorts['faults'],
  ) {
    this.meter = new Meter(cost, dailyBudgetBytes)
  }

  mayTry(now: MonoSeconds): boolean {
    return now - this.triedAt >= wornSeconds || !this.meter.isWorn(now)
  }

  trying(now: MonoSeconds): void {
    this.triedAt = now
  }

  connected(): void {
    this.meter.connected()
  }

  attemptFailed(code: FaultCode, now: MonoSeconds): void {
    this.meter.attemptFailed(code, now)
  }

  message(): void {
    this.meter.message()
  }

  allowance(now: MonoSeconds, link: Link): 'all' | 'present' | 'pressing' {
    this.meter.look(now, link.bytes(), link.session !== undefined)
    return this.meter.allowance(now)
  }

  /** Once a minute: tells when something begins to wait for the budget, and when nothing does any more. */
  look(now: MonoSeconds, link: Link): void {
    const waits = this.waits(now, link)
    if (waits === this.waited) return
    this.waited = waits
    if (waits === 'nothing') return this.faults.clear('budget-used')
    const detail = `${waits} wait, ${this.ledger.standing().backlog} now`
    this.faults.raise({ code: 'budget-used', detail })
  }

  waits(now: MonoSeconds, link: Link): UplinkStatus['waits'] {
    const allowance = this.allowance(now, link)
    if (allowance === 'all' || !this.ledger.hasGaps) return 'nothing'
    return allowance === 'present' ? 'old lines' : 'all lines'
  }

  report(now: MonoSeconds): UplinkStatus['budget'] {
    return this.meter.report(now)
  }

  save(): unknown {
    return this.meter.save()
  }

  restore(saved: unknown, now: MonoSeconds): void {
    this.meter.restore(saved, now)
  }
}
