import { addSeconds, type MonoSeconds, type Range } from '../terms/terms.js'

/** A stretch of numbers that may hold a line the broker does not take. */
export interface Suspect {
  readonly from: number
  readonly to: number
  /** Tries in this width. */
  readonly tries: number
  readonly notBefore: MonoSeconds
}

/** Between two tries of one that took the link down: connections in between last long enough to be good ones. */
const restSeconds = 300
/** A single line is tried so often, an hour apart, before it is parked. */
const mostTries = 3
const singleRestSeconds = 3600
/** A pack that was in flight so often when the link went is suspected. */
const mostLosses = 2
/** Of more stretches the narrowest way is taken: they are tried whole again. */
const mostSuspects = 64

/**
 * Finds the line that a broker refuses, or that makes it end the connection. A pack it may be in is tried alone, then in
 * halves, until the line stands alone; after three tries that one is parked. Everything else goes on meanwhile.
 */
export class Suspects {
  private list: Suspect[] = []
  /** By first number: how often a pack was in flight when the link went. */
  private readonly losses = new Map<number, number>()

  /** The link went while this pack was in flight. True: from now on it is a suspect. */
  lost(from: number, to: number, now: MonoSeconds): boolean {
    if (this.losses.size > 100) this.losses.clear()
    const times = (this.losses.get(from) ?? 0) + 1
    this.losses.set(from, times)
    if (times < mostLosses || this.list.length >= mostSuspects) return false
    this.losses.delete(from)
    this.suspect(from, to, addSeconds(now, restSeconds))
    return true
  }

  landed(from: number): void {
    this.losses.delete(from)
  }

  suspect(from: number, to: number, notBefore: MonoSeconds): void {
    this.list.push({ from, to, tries: 0, notBefore })
  }

  /** The next to try alone, taken out; how it ended is told by `suspect`, `failed` or by nothing when it landed. */
  next(now: MonoSeconds): Suspect | undefined {
    const at = this.list.findIndex(({ notBefore }) => now >= notBefore)
    return at < 0 ? undefined : this.list.splice(at, 1)[0]
  }

  /** A try ended badly, and not by chance: halves, or the same again, or parked (nothing of it is left here). */
  failed({ from, to, tries }: Suspect, now: MonoSeconds, rest: 'rest' | 'at once'): 'kept' | 'parked' {
    const notBefore = addSeconds(now, rest === 'rest' ? restSeconds : 0)
    if (from < to && this.list.length < mostSuspects) {
      const middle = (from + to) >> 1
      this.suspect(from, middle, notBefore)
      this.suspect(middle + 1, to, notBefore)
      return 'kept'
    }
    if (tries + 1 >= mostTries) return 'parked'
    this.list.push({ from, to, tries: tries + 1, notBefore: addSeconds(now, singleRestSeconds) })
    return 'kept'
  }

  /** Said nothing about it: later again. */
  putBack(one: Suspect, now: MonoSeconds): void {
    this.list.push({ ...one, notBefore: addSeconds(now, restSeconds) })
  }

  get ranges(): readonly Range[] {
    return this.list.map(({ from, to }) => [from, to])
  }

  /** Lets go of all of them; they are to be released. */
  clear(): readonly Range[] {
    const all = this.ranges
    this.list = []
    this.losses.clear()
    return all
  }
}
