import type { FaultBoard } from '../health/health.js'
import { secondsBetween, type MonoSeconds, type PowerSwitch } from '../terms/terms.js'

export interface PowerCycleOptions {
  /** Without a frame for so long the sensor's supply is cycled. */
  readonly afterSeconds: number
  /** At most so often: a sensor that is broken is not switched for ever. */
  readonly everySeconds: number
}

/**
 * The last rung of the ladder against silence: the owner's switch takes the supply away and gives it back. Each run is
 * told as an event, a failing switch as a fault; the ladder below it goes on meanwhile.
 */
export class PowerCycling {
  private total = 0
  private ranAt: MonoSeconds | undefined
  private running = false

  constructor(
    private readonly options: PowerCycleOptions,
    private readonly power: PowerSwitch,
    private readonly where: string,
    private readonly faults: FaultBoard,
    private readonly tell: (name: string, details: Readonly<Record<string, string>>) => void,
  ) {}

  /** Begins a run where it is due; the promise ends when the switch has answered. */
  look(now: MonoSeconds, withoutDataSeconds: number): Promise<void> | undefined {
    if (this.running || withoutDataSeconds < this.options.afterSeconds) return undefined
    if (this.ranAt !== undefined && secondsBetween(this.ranAt, now) < this.options.everySeconds)
      return undefined
    this.running = true
    this.ranAt = now
    return this.run(now, withoutDataSeconds)
  }

  private async run(now: MonoSeconds, withoutDataSeconds: number): Promise<void> {
    const cycled = await this.power.cycle()
    this.running = false
    this.total++
    if (cycled.ok) this.faults.clear(this.where, 'power-cycle-failed')
    else this.faults.raise(this.where, cycled.fault, now)
    this.tell('power-cycle', {
      instrument: this.where,
      without_data_s: String(Math.round(withoutDataSeconds)),
      result: cycled.ok ? 'done' : 'failed',
    })
  }

  /** The sensor gives readings again: a switch that failed is no longer anybody's trouble. */
  notNeeded(): void {
    this.faults.clear(this.where, 'power-cycle-failed')
  }

  report(now: MonoSeconds): Record<string, unknown> {
    const last = this.ranAt === undefined ? {} : { last_age_s: Math.round(secondsBetween(this.ranAt, now)) }
    return { runs: this.total, ...last }
  }
}
