/** When a boot without any time check can have been: after the boot before it in the store, and before the one behind. */
import {
  addUtcSeconds,
  asTime,
  longestSeconds,
  monoSeconds,
  type MonoSeconds,
  type UtcMillis,
} from '../terms/terms.js'
import type { TimeTable } from './time-table.js'

/** UTC of a boot's monotonic zero lies between these; undefined where no neighbour bounds it. */
export interface BootBounds {
  readonly earliestStart?: UtcMillis
  readonly latestStart?: UtcMillis
}

interface BootSpan {
  readonly boot: string
  firstSeq: number
  /** End of its newest line in monotonic time. */
  lastMono: number
}

/** Boots of one store that are held. */
const mostBoots = 100_000

/** The boots of a store in the order of their numbers, which is the true order whatever their clocks said. */
export class BootOrder {
  private readonly spans = new Map<string, BootSpan>()

  /** @param end of the line, where it has a length */
  note(boot: string, seq: number, end: number): void {
    const mono = end < longestSeconds ? end : 0
    const span = this.spans.get(boot)
    if (!span) {
      if (this.spans.size < mostBoots) this.spans.set(boot, { boot, firstSeq: seq, lastMono: mono })
      return
    }
    if (seq < span.firstSeq) span.firstSeq = seq
    if (mono > span.lastMono) span.lastMono = mono
  }

  /** Of every boot that no time check places. */
  bounds(times: TimeTable): Map<string, BootBounds> {
    const order = [...this.spans.values()].sort((a, b) => a.firstSeq - b.firstSeq)
    const found = new Map<string, BootBounds>()
    let earliest: UtcMillis | undefined
    for (const span of order) {
      const end = times.at(span.boot, monoSeconds(span.lastMono))
      if (!end) {
        found.set(span.boot, { earliestStart: earliest })
        // A boot begins at its monotonic zero: what comes after it is later by its length.
        earliest = later(earliest, span.lastMono)
      } else earliest = later(end.utc, -end.errorSeconds)
    }
    let latest: UtcMillis | undefined
    for (const span of order.reverse()) {
      const began = times.at(span.boot, monoSeconds(0))
      if (!began) {
        const latestStart = later(latest, -span.lastMono)
        found.set(span.boot, { ...found.get(span.boot), latestStart })
        latest = latestStart
      } else latest = later(began.utc, began.errorSeconds)
    }
    return found
  }
}

/** Undefined where it is no time any more: then nothing bounds it. */
const later = (at: UtcMillis | undefined, seconds: number): UtcMillis | undefined =>
  at === undefined ? undefined : asTime(addUtcSeconds(at, seconds))

export interface BoundedTime {
  readonly earliest?: UtcMillis
  readonly latest?: UtcMillis
}

/** Bounds of a moment of a boot. */
export const boundedAt = (bounds: BootBounds, mono: MonoSeconds): BoundedTime => ({
  earliest: later(bounds.earliestStart, mono),
  latest: later(bounds.latestStart, mono),
})

/** A figure takes a record that is known to this; what is less sure is shown, and counts nowhere. */
const mostSpreadSeconds = 60

/** The middle of bounds that are narrow enough for a figure. */
export function middleOf({ earliest, latest }: BoundedTime): UtcMillis | undefined {
  if (earliest === undefined || latest === undefined) return undefined
  const spreadMillis = latest - earliest
  const narrow = spreadMillis >= 0 && spreadMillis <= mostSpreadSeconds * 1000
  return narrow ? addUtcSeconds(earliest, spreadMillis / 2000) : undefined
}
