import { addSeconds, localDay, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
import type { DeliveryPorts } from './contracts.js'
import { simReminders, type SimDates } from './sim-dates.js'

const where = 'modem'
const lookEverySeconds = 3600

/** Reminds of the last day of the SIM and of its credit: a fault from a month before on, until its day is another one. */
export class SimWatch {
  private lookAt: MonoSeconds | undefined
  private readonly said = new Map<string, string>()

  /** @param utcAt undefined while the clock is not trusted: nothing is said then, and nothing taken back */
  constructor(
    private readonly dates: SimDates,
    private readonly standardOffsetMinutes: number,
    private readonly faults: DeliveryPorts['faults'],
    private readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined,
  ) {}

  step(now: MonoSeconds): void {
    if (this.lookAt !== undefined && now < this.lookAt) return
    const utc = this.utcAt(now)
    if (utc === undefined) return
    this.lookAt = addSeconds(now, lookEverySeconds)
    const due = simReminders(this.dates, localDay(utc, this.standardOffsetMinutes))
    for (const code of ['sim-ends', 'sim-credit'] as const) {
      const fault = due.find((each) => each.code === code)
      if (!fault) this.faults.clear(where, code)
      else if (this.said.get(code) !== fault.detail) this.faults.raise(where, fault, now)
      this.said.set(code, fault?.detail ?? '')
    }
  }
}
