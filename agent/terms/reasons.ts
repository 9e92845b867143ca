/**
 * Why a reading does not count, or counts with a warning. The lists are closed; their order is their number in the
 * screening's hot path and may only be added to at the end.
 */

/** A reading that must not count. 'no-data' is time without any reading. */
export const exclusions = [
  'warm-up',
  'stuck',
  'no-data',
  'sensor-error',
  'impossible',
  'service',
  'fan-or-inlet',
] as const
export type Exclusion = (typeof exclusions)[number]

/** A reading that counts, with a warning. */
export const marks = [
  'spike',
  'over-range',
  'not-settled',
  'sizes-inconsistent',
  'humid',
  'fog',
  'low-supply',
  'on-request',
  'no-particles',
  'past-life',
] as const
export type Mark = (typeof marks)[number]

/** 0 = counts; otherwise index into `exclusions` plus one. */
export type ExclusionCode = number
export const counts: ExclusionCode = 0
export const exclusionCode = (reason: Exclusion): ExclusionCode => exclusions.indexOf(reason) + 1
/** Marks are bits: several can hold at once. */
export const markBit = (mark: Mark): number => 1 << marks.indexOf(mark)
