import { warmUpAfter } from '../screening/screening.js'
import type { MonoSeconds } from '../terms/terms.js'

/** What the store knows of an instrument from before this start, in this boot's time (below 0 for an earlier boot). */
export interface Before {
  /** End of the last record in which it gave readings; undefined when nobody knows. */
  readonly dataAt?: MonoSeconds
  /** The board has run since: the sensor had its supply. */
  readonly powered: boolean
  readonly cleanedAt?: MonoSeconds
}

/** How long a sensor has been without readings, across restarts, and the warm-up that follows from it. */
export class Rests {
  private before: Before | undefined
  /** It was put to sleep since its last reading, with its supply or without. */
  private sleptPowered: boolean | undefined

  constructor(
    private readonly usualSeconds: number,
    private readonly temperatureC: (now: MonoSeconds) => number,
  ) {}

  restore(before: Before): void {
    this.before = before
  }

  slept(powered: boolean): void {
    this.sleptPowered = powered
  }

  /** The sensor may have lost its supply since its last reading. */
  powerLost(): void {
    if (this.sleptPowered) this.sleptPowered = false
    if (this.before) this.before = { ...this.before, powered: false }
  }

  /**
   * Readings are back.
   * @param lastAt time of the last one of this run; undefined when this is the first
   */
  warmUpSeconds(at: MonoSeconds, lastAt: MonoSeconds | undefined): number {
    const since = lastAt ?? this.before?.dataAt
    const powered = this.sleptPowered ?? (lastAt === undefined && this.before?.powered === true)
    this.sleptPowered = undefined
    const seconds = since === undefined ? NaN : at - since
    return warmUpAfter(this.usualSeconds, { seconds, powered, temperatureC: this.temperatureC(at) })
  }
}
