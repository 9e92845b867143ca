import { monoSeconds, type MonoSeconds } from '../terms/terms.js'

/** The frames of one pull share the time since the last one: which came when inside it, nobody knows. */
export class FrameTimes {
  private due = 1
  private seen = 0
  private from = 0
  private now = 0

  /** Bytes were pulled that may hold so many frames; they came between the two times. */
  pulled(frames: number, from: number, now: number): void {
    this.due = frames > 1 ? frames : 1
    this.seen = 0
    this.from = from
    this.now = now
  }

  next(): MonoSeconds {
    this.seen++
    const share = this.seen >= this.due ? 1 : this.seen / this.due
    return monoSeconds(this.from + share * (this.now - this.from))
  }
}
