import { addSeconds, type EventLine, type MonoSeconds, type UtcMillis } from '../terms/terms.js'

/** When a line was written, on the monotonic clock of this boot. */
export interface Stamp {
  readonly at: MonoSeconds
  /** False where the line is of an earlier boot and no clock says how long ago that was: then `at` is when it was read. */
  readonly isPlaced: boolean
}

interface Unplaced {
  at: MonoSeconds
  isPlaced: boolean
  readonly utc: UtcMillis
}

/**
 * Ages over restarts. The monotonic clock starts anew with each boot, so a line of an earlier one is placed by UTC once a
 * clock is trusted; until then it counts as written when it was read.
 */
export class Stamps {
  private waiting: Unplaced[] = []

  constructor(
    private readonly boot: string,
    private readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined,
  ) {}

  of(line: EventLine, now: MonoSeconds): Stamp {
    if (line.boot === this.boot) return { at: line.mono, isPlaced: true }
    if (line.utc === undefined) return { at: now, isPlaced: false }
    const stamp: Unplaced = { at: now, isPlaced: false, utc: line.utc }
    const utc = this.utcAt(now)
    if (utc === undefined) this.waiting.push(stamp)
    else place(stamp, now, utc)
    return stamp
  }

  /** Places what could not be placed, once the clock is trusted. */
  learn(now: MonoSeconds): void {
    const utc = this.waiting.length === 0 ? undefined : this.utcAt(now)
    if (utc === undefined) return
    for (const stamp of this.waiting) place(stamp, now, utc)
    this.waiting = []
  }
}

/** What would lie in the future was written by a clock that was wrong: nobody knows its age, and it stays as it is. */
function place(stamp: Unplaced, now: MonoSeconds, utc: UtcMillis): void {
  stamp.isPlaced = true
  if (stamp.utc <= utc) stamp.at = addSeconds(now, (stamp.utc - utc) / 1000)
}
