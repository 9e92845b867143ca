/** What holds when, for one slot: cut into pieces once, then looked up, so that a year of minutes can be asked about. */
import type { UtcMillis } from '../terms/terms.js'
import type { Deployment, Unit } from './places.js'
import { slotKey } from './placed.js'
import type { CountingSpan } from './spans.js'

export interface SiteStatus {
  /** Why readings of that time do not count; of several spans the one that began first. */
  readonly excluded?: string
  /** Why they count with a warning. */
  readonly marked?: string
  readonly deployment?: Deployment
  readonly unit?: Unit
}

interface Facts {
  readonly spans: readonly CountingSpan[]
  readonly deployments: readonly Deployment[]
  readonly units: readonly Unit[]
}

export class Timeline {
  private readonly cuts: readonly number[]
  private readonly states: readonly SiteStatus[]

  /** @param slot only what concerns it or the whole station is looked at. */
  constructor(facts: Facts, slot: string | undefined) {
    const spans = facts.spans.filter((span) => span.slot === undefined || span.slot === slot)
    const units = facts.units.filter((unit) => slotKey(unit.slot) === slotKey(slot))
    const pieces = [...spans, ...facts.deployments, ...units]
    const edges = new Set(pieces.flatMap((piece) => [piece.from ?? -Infinity, piece.to ?? Infinity]))
    this.cuts = [...edges.add(-Infinity)].sort((a, b) => (a < b ? -1 : 1))
    this.states = this.cuts.map((at) => statusOf({ spans, deployments: facts.deployments, units }, at))
  }

  at(utc: UtcMillis): SiteStatus {
    return this.states[this.index(utc)]
  }

  /** The state at `from`, with what excludes or marks any part of the time up to, not including, `to`. */
  over(from: UtcMillis, to: UtcMillis): SiteStatus {
    let status = this.at(from)
    for (let i = this.index(from) + 1; i < this.cuts.length && this.cuts[i] < to; i++) {
      const { excluded, marked } = this.states[i]
      if (status.excluded === undefined && excluded !== undefined) status = { ...status, excluded }
      if (status.marked === undefined && marked !== undefined) status = { ...status, marked }
    }
    return status
  }

  /** The piece around a time in which nothing changes: [from, to). */
  around(utc: UtcMillis): readonly [from: number, to: number] {
    const i = this.index(utc)
    return [this.cuts[i], i + 1 < this.cuts.length ? this.cuts[i + 1] : Infinity]
  }

  /** The last cut at or before a time. */
  private index(utc: number): number {
    let low = 0
    let high = this.cuts.length - 1
    while (low < high) {
      const middle = (low + high + 1) >> 1
      if (this.cuts[middle] <= utc) low = middle
      else high = middle - 1
    }
    return low
  }
}

const covers = (piece: { from?: number; to?: number }, at: number): boolean =>
  (piece.from ?? -Infinity) <= at && at < (piece.to ?? Infinity)

function statusOf({ spans, deployments, units }: Facts, at: number): SiteStatus {
  const here = spans.filter((span) => covers(span, at))
  const excluded = here.find((span) => span.effect === 'exclude')?.reason
  const marked = here.find((span) => span.effect === 'mark')?.reason
  const deployment = deployments.find((one) => covers(one, at))
  const unit = units.find((one) => covers(one, at))
  return {
    ...(excluded === undefined ? {} : { excluded }),
    ...(marked === undefined ? {} : { marked }),
    ...(deployment ? { deployment } : {}),
    ...(unit ? { unit } : {}),
  }
}
