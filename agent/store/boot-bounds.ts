/** When a boot without any time check can have been: after the boot before it in the store, and before the one behind. */
import { addUtcSeconds, monoSeconds, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
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
    const span = this.spans.get(boot)
    if (!span) {
      if (this.spans.size < mostBoots) this.spans.set(boot, { boot, firstSeq: seq, lastMono: end })
      return
    }
    if (seq < span.firstSeq) span.firstSeq = seq
    if (end > span.lastMono) span.lastMono = end
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
        earliest = earliest && addUtcSeconds(earliest, span.lastMono)
      } else earliest = addUtcSeconds(end.utc, -end.errorSeconds)
    }
    let latest: UtcMillis | undefined
    for (const span of order.reverse()) {
      const began = times.at(span.boot, monoSeconds(0))
      if (!began) {
        const latestStart = latest && addUtcSeconds(latest, -span.lastMono)
        found.set(span.boot, { ...found.get(span.boot), latestStart })
        latest = latestStart
      } else latest = addUtcSeconds(began.utc, began.errorSeconds)
    }
    return found
  }
}

export interface BoundedTime {
  readonly earliest?: UtcMillis
  readonly latest?: UtcMillis
}

/** Bounds of a moment of a boot. */
export const boundedAt = (bounds: BootBounds, mono: MonoSeconds): BoundedTime => ({
  earliest: bounds.earliestStart && addUtcSeconds(bounds.earliestStart, mono),
  latest: bounds.latestStart && addUtcSeconds(bounds.latestStart, mono),
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
