import {
  monoSeconds,
  utcMillis,
  type Clock,
  type MonoSeconds,
  type UtcMillis,
  type UtcView,
} from '../terms/terms.js'

export interface VirtualClockOptions {
  readonly bootId: string
  readonly mono: number
  readonly utc: UtcMillis
  /** Absent: nothing vouches for the time. */
  readonly source?: string
}

/**
 * Time that moves only when told to. Monotonic time and the wall clock are set apart, so that a test can step the one
 * and not the other.
 */
export class VirtualClock implements Clock {
  readonly bootId: string
  source: string | undefined
  errorSeconds = 0.5
  private monoNow: number
  private utcMinusMonoMillis: number
  private waiting: { at: number; resolve: () => void }[] = []

  constructor(options: VirtualClockOptions) {
    this.bootId = options.bootId
    this.monoNow = options.mono
    this.utcMinusMonoMillis = options.utc - options.mono * 1000
    this.source = options.source
  }

  mono(): MonoSeconds {
    return monoSeconds(this.monoNow)
  }

  utc(): UtcView {
    const at = utcMillis(this.utcMinusMonoMillis + this.monoNow * 1000)
    return { at, source: this.source, errorSeconds: this.source === undefined ? Infinity : this.errorSeconds }
  }

  after(seconds: number): Promise<void> {
    if (seconds <= 0) return Promise.resolve()
    return new Promise((resolve) => this.waiting.push({ at: this.monoNow + seconds, resolve }))
  }

  /** Moves to a monotonic time not before the present one. */
  set(mono: MonoSeconds): void {
    if (mono < this.monoNow) throw new Error('virtual time does not run backwards')
    this.monoNow = mono
    if (this.waiting.length === 0) return
    const due = this.waiting.filter((w) => w.at <= mono)
    this.waiting = this.waiting.filter((w) => w.at > mono)
    for (const w of due) w.resolve()
  }

  /** The wall clock alone jumps. */
  stepUtc(seconds: number): void {
    this.utcMinusMonoMillis += seconds * 1000
  }
}
