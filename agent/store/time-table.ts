/**
 * UTC of what was recorded without: time checks (anchors) of the same boot say it, also those that came later. Nothing is
 * rewritten; who reads corrects.
 */
import type { AnchorLine, MonoSeconds, UtcMillis } from '../terms/terms.js'

export interface PlacedTime {
  readonly utc: UtcMillis
  /** Error of the nearest time check and what a clock may drift from it. */
  readonly errorSeconds: number
  /** The nearest time check. */
  readonly anchor: AnchorLine
  /** It lies between two time checks that agree. */
  readonly interpolated: boolean
}

/** Drift allowed away from a time check (common practice for a board's crystal, no source). */
const driftPerSecond = 100e-6
/** Two time checks that lie further apart than their errors and twice the drift explain: the clock was set between them. */
const agreeingDrift = 2 * driftPerSecond
/** Anchors of one store that are held; an hourly one makes this fifty years. */
const mostAnchors = 500_000

export class TimeTable {
  private readonly byBoot = new Map<string, AnchorLine[]>()
  private sorted = true
  private count = 0

  constructor(anchors: Iterable<AnchorLine> = []) {
    for (const anchor of anchors) this.add(anchor)
  }

  add(anchor: AnchorLine): void {
    if (this.count >= mostAnchors) return
    const anchors = this.byBoot.get(anchor.boot)
    if (anchors) anchors.push(anchor)
    else this.byBoot.set(anchor.boot, [anchor])
    this.count++
    this.sorted = false
  }

  /** The time of a moment of a boot; undefined where no time check of that boot is known. */
  at(boot: string, mono: MonoSeconds): PlacedTime | undefined {
    this.sort()
    const anchors = this.byBoot.get(boot)
    if (!anchors) return undefined
    const next = firstAfter(anchors, mono)
    const before = anchors[next - 1] as AnchorLine | undefined
    const after = anchors[next] as AnchorLine | undefined
    if (before && after && agree(before, after)) return between(before, after, mono)
    // Where the clock was set between two checks, the later one knows better.
    return from(after ?? before!, mono)
  }

  private sort(): void {
    if (this.sorted) return
    for (const anchors of this.byBoot.values()) anchors.sort((a, b) => a.mono - b.mono || a.seq - b.seq)
    this.sorted = true
  }
}

/** Index of the first anchor later than a moment. */
function firstAfter(anchors: readonly AnchorLine[], mono: number): number {
  let low = 0
  let high = anchors.length
  while (low < high) {
    const middle = (low + high) >> 1
    if (anchors[middle].mono <= mono) low = middle + 1
    else high = middle
  }
  return low
}

function agree(a: AnchorLine, b: AnchorLine): boolean {
  const apart = Math.abs((b.utc - a.utc) / 1000 - (b.mono - a.mono))
  return apart <= a.errorSeconds + b.errorSeconds + agreeingDrift * (b.mono - a.mono)
}

function from(anchor: AnchorLine, mono: MonoSeconds): PlacedTime {
  const distance = mono - anchor.mono
  return {
    utc: (anchor.utc + distance * 1000) as UtcMillis,
    errorSeconds: anchor.errorSeconds + driftPerSecond * Math.abs(distance),
    anchor,
    interpolated: false,
  }
}

function between(before: AnchorLine, after: AnchorLine, mono: MonoSeconds): PlacedTime {
  const share = (mono - before.mono) / (after.mono - before.mono)
  const nearest = share < 0.5 ? before : after
  const distance = Math.abs(mono - nearest.mono)
  return {
    utc: (before.utc + share * (after.utc - before.utc)) as UtcMillis,
    errorSeconds: nearest.errorSeconds + driftPerSecond * distance,
    anchor: nearest,
    interpolated: true,
  }
}
