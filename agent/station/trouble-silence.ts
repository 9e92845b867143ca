import type { MonoSeconds } from '../terms/terms.js'

/** As `InstrumentRunner.silence` tells it. */
interface Heard {
  readonly seconds: number
  readonly fresh: boolean
  readonly asleep: boolean
}

/**
 * How long each sensor has been silent while it should run. Asleep by plan it is neither heard nor silent: with five minutes of
 * fifteen a dead sensor is silent for 15 min after three of its windows, though each begins anew for its line.
 */
export class Silence {
  private readonly byName = new Map<string, number>()
  private lookedAt: MonoSeconds | undefined

  /** Once a minute. */
  look(
    instruments: readonly { readonly name: string; silence(now: MonoSeconds): Heard }[],
    now: MonoSeconds,
  ): void {
    const passed = this.lookedAt === undefined ? Infinity : now - this.lookedAt
    this.lookedAt = now
    for (const instrument of instruments) {
      const { seconds, fresh, asleep } = instrument.silence(now)
      const before = this.seconds(instrument.name)
      if (fresh) this.byName.set(instrument.name, 0)
      else if (!asleep) this.byName.set(instrument.name, before + Math.min(passed, seconds))
    }
  }

  seconds(name: string): number {
    return this.byName.get(name) ?? 0
  }
}
