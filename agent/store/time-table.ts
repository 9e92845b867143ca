/**
 * UTC of what was recorded without: time checks (anchors) of the same boot say it, also those that came later. A check that
 * was proved wrong is withdrawn by an event line, and what was timed by it is timed anew. Nothing is rewritten; who reads
 * corrects.
 */
import {
  asTime,
  longestSeconds,
  withdrawnName,
  type AnchorLine,
  type Line,
  type MonoSeconds,
  type UtcMillis,
} from '../terms/terms.js'

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

/** Withdrawals of one store that are held. */
const mostWithdrawals = 10_000

/** Anchors with these numbers are of no worth. */
interface Withdrawn {
  readonly from: number
  readonly to: number
}

const whole = /^\d{1,15}$/

export class TimeTable {
  private readonly byBoot = new Map<string, AnchorLine[]>()
  /** As they stand in the store, before any was withdrawn; only of boots where one was. */
  private readonly asWritten = new Map<string, readonly AnchorLine[]>()
  private readonly withdrawn: Withdrawn[] = []
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

  /** Takes from any line what it says of time checks. */
  take(line: Line): void {
    if (line.kind === 'anchor') return this.add(line)
    if (line.kind !== 'event' || line.name !== withdrawnName) return
    const { from, to } = line.details
    if (!whole.test(from) || !whole.test(to) || this.withdrawn.length >= mostWithdrawals) return
    // What comes after a withdrawal is not meant by it.
    this.withdrawn.push({ from: Number(from), to: Math.min(Number(to), line.seq) })
    this.sorted = false
  }

  /** True where a time check of this boot stands. */
  knows(boot: string): boolean {
    this.sort()
    return (this.byBoot.get(boot)?.length ?? 0) > 0
  }

  /** The time that a line says of itself, unless the time check behind it was withdrawn: then by the others of its boot. */
  ownOr(boot: string, mono: MonoSeconds, seq: number, own: UtcMillis | undefined): UtcMillis | undefined {
    return own === undefined || this.isWithdrawn(boot, seq) ? this.at(boot, mono)?.utc : own
  }

  /** True when the newest time check before a number is one that was withdrawn. */
  isWithdrawn(boot: string, seq: number): boolean {
    if (this.withdrawn.length === 0) return false
    this.sort()
    const anchors = this.asWritten.get(boot)
    if (!anchors) return false
    const behind = anchors.findLast((anchor) => anchor.seq < seq)
    return behind !== undefined && this.isOf(behind)
  }

  private isOf({ seq }: AnchorLine): boolean {
    return this.withdrawn.some(({ from, to }) => from <= seq && seq <= to)
  }

  /** The time of a moment of a boot; undefined where no time check of that boot is known, and for what is no moment. */
  at(boot: string, mono: MonoSeconds): PlacedTime | undefined {
    if (!(Math.abs(mono) < longestSeconds)) return undefined
    this.sort()
    const anchors = this.byBoot.get(boot)
    if (!anchors || anchors.length === 0) return undefined
    const next = firstAfter(anchors, mono)
    const before = anchors[next - 1] as AnchorLine | undefined
    const after = anchors[next] as AnchorLine | undefined
    // Where the clock was set between two checks, the later one knows better.
    const isBetween = before && after && agree(before, after)
    const placed = isBetween ? between(before, after, mono) : from(after ?? before!, mono)
    return asTime(placed.utc) === undefined ? undefined : placed
  }

  private sort(): void {
    if (this.sorted) return
    for (const anchors of this.byBoot.values()) anchors.sort((a, b) => a.mono - b.mono || a.seq - b.seq)
    for (const [boot, anchors] of this.withdrawn.length > 0 ? this.byBoot : []) {
      const all = this.asWritten.get(boot) ?? anchors
      const standing = all.filter((anchor) => !this.isOf(anchor))
      if (standing.length === all.length) continue
      this.asWritten.set(boot, all)
      this.byBoot.set(boot, standing)
    }
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
