import type { Random } from './ports.js'
import { addSeconds, type MonoSeconds } from './time.js'

export interface BackoffBounds {
  readonly firstSeconds: number
  readonly mostSeconds: number
}

/** Below this a random delay would be no delay. */
const leastSeconds = 1

/**
 * When to try again: doubling with full jitter, so that stations that lost the same broker do not come back together.
 * A connection that lasted a minute starts the count anew; one that is thrown out at once, as by a second client of the
 * same id, does not.
 */
export class Backoff {
  private failures = 0
  private at: MonoSeconds | undefined

  constructor(
    private readonly bounds: BackoffBounds,
    private readonly random: Random,
  ) {}

  failed(now: MonoSeconds): void {
    const ceiling = Math.min(
      this.bounds.mostSeconds,
      this.bounds.firstSeconds * 2 ** Math.min(this.failures, 30),
    )
    this.failures++
    this.at = addSeconds(now, Math.max(leastSeconds, this.random.next() * ceiling))
  }

  lasted(seconds: number): void {
    if (seconds >= 60) this.failures = 0
  }

  /** Ended as meant. */
  wentWell(): void {
    this.failures = 0
    this.at = undefined
  }

  /** The next attempt may be at once; failures so far still count. */
  forgetWait(): void {
    this.at = undefined
  }

  mayTry(now: MonoSeconds): boolean {
    return this.at === undefined || now >= this.at
  }

  /** Failures in a row, and the next attempt if it has to wait. */
  get standing(): { failures: number; nextAt: MonoSeconds | undefined } {
    return { failures: this.failures, nextAt: this.at }
  }
}
