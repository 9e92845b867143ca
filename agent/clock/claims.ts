/** What each source of time says, carried on by monotonic time, and which of them is to be believed. */
import { addUtcSeconds, secondsBetween, type MonoSeconds, type UtcMillis } from '../terms/terms.js'

export interface AnchorPoint {
  readonly mono: MonoSeconds
  readonly utc: UtcMillis
  readonly source: string
  readonly errorSeconds: number
}

/** Drift allowed between an anchor and a moment away from it (common practice for a board's crystal, no source). */
export const driftPerSecond = 100e-6

/** The wall clock of the board is one clock, whoever set it: two of its sources are no second opinion. */
export type Origin = 'board' | 'satellite' | 'modem' | 'person'

interface SourceKind {
  readonly origin: Origin
  /** Of two that contradict each other, and nobody else to ask, the higher is believed. */
  readonly rank: number
}

/**
 * Order by what usually goes wrong (common practice, no source): a network's time has several servers behind it; a receiver may
 * be a round of weeks off; `trust: system` is the owner's word; a modem passes on what one cell says; a person types; a
 * battery-backed clock runs on alone for years.
 */
const kinds: Readonly<Record<string, SourceKind>> = {
  ntp: { origin: 'board', rank: 6 },
  satellite: { origin: 'satellite', rank: 5 },
  system: { origin: 'board', rank: 4 },
  modem: { origin: 'modem', rank: 3 },
  person: { origin: 'person', rank: 2 },
  rtc: { origin: 'board', rank: 1 },
}

const unknownSource: SourceKind = { origin: 'board', rank: 0 }
const kindOfSource = (source: string | undefined): SourceKind => kinds[source ?? ''] ?? unknownSource

export const originOf = (source: string): Origin => kindOfSource(source).origin
export const rankOf = (source: string | undefined): number => kindOfSource(source).rank

/** UTC of a moment by an anchor. */
export const utcBy = (anchor: AnchorPoint, mono: MonoSeconds): UtcMillis =>
  addUtcSeconds(anchor.utc, secondsBetween(anchor.mono, mono))

export const errorBy = (anchor: AnchorPoint, mono: MonoSeconds): number =>
  anchor.errorSeconds + driftPerSecond * Math.abs(secondsBetween(anchor.mono, mono))

/** Seconds by which b is later than a. */
export const apart = (a: AnchorPoint, b: AnchorPoint, now: MonoSeconds): number =>
  (utcBy(b, now) - utcBy(a, now)) / 1000

/** True when their errors and drift explain the difference; if not, one of them is wrong, for monotonic time does not step. */
export const agree = (a: AnchorPoint, b: AnchorPoint, now: MonoSeconds): boolean =>
  Math.abs(apart(a, b, now)) <= errorBy(a, now) + errorBy(b, now)

/** A claim with those that agree with it, itself included. */
export interface Opinion {
  /** The one with the smallest error now. */
  readonly best: AnchorPoint
  readonly origins: readonly Origin[]
  readonly rank: number
}

/** Every opinion, the most credible first: two independent sources outvote any one; among equals rank, then error. */
export function opinions(claims: readonly AnchorPoint[], now: MonoSeconds): Opinion[] {
  return claims
    .map((claim) =>
      opinionOf(
        claims.filter((other) => agree(claim, other, now)),
        now,
      ),
    )
    .sort(
      (a, b) =>
        Number(b.origins.length > 1) - Number(a.origins.length > 1) ||
        b.rank - a.rank ||
        errorBy(a.best, now) - errorBy(b.best, now),
    )
}

function opinionOf(group: readonly AnchorPoint[], now: MonoSeconds): Opinion {
  const best = group.reduce((a, b) => (errorBy(b, now) < errorBy(a, now) ? b : a))
  const origins = [...new Set(group.map(({ source }) => originOf(source)))]
  return { best, origins, rank: Math.max(...group.map(({ source }) => rankOf(source))) }
}
