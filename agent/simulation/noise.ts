/**
 * Chance as a pure function: the same seed and number give the same value in whatever order they are asked for, so that a
 * made site has one past on every machine and any moment of it can be looked at alone.
 */

/** Uniform in [0, 1). Mixing of 32-bit integers as in MurmurHash3's finaliser (public domain). */
export function hashUniform(seed: number, n: number): number {
  let h = Math.imul((seed | 0) ^ 0x9e3779b9, 0x85ebca6b) ^ Math.imul(n | 0, 0xc2b2ae35)
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b)
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35)
  return ((h ^ (h >>> 16)) >>> 0) / 4294967296
}

/** About standard normal: four uniforms, never beyond 3.5 (an instrument's noise has no long tail). */
export function hashNormal(seed: number, n: number): number {
  const at = Math.imul(n, 4)
  let sum = 0
  for (let i = 0; i < 4; i++) sum += hashUniform(seed, at + i)
  return (sum - 2) * Math.sqrt(3)
}

/** Rises from 0 at `from` to 1 at `to`, smoothly. */
export function smoothStep(from: number, to: number, x: number): number {
  const share = Math.max(0, Math.min(1, (x - from) / (to - from)))
  return share * share * (3 - 2 * share)
}

/** 1 between `from` and `to`, falling to 0 within `edge` on both sides. */
export const bump = (from: number, to: number, edge: number, x: number): number =>
  smoothStep(from - edge, from, x) * (1 - smoothStep(to, to + edge, x))

/** Wanders between -1 and 1, from one value to the next within `periodSeconds`. */
export function wander(seed: number, atSeconds: number, periodSeconds: number): number {
  const place = atSeconds / periodSeconds
  const n = Math.floor(place)
  const before = hashUniform(seed, n) * 2 - 1
  const after = hashUniform(seed, n + 1) * 2 - 1
  return before + (after - before) * smoothStep(0, 1, place - n)
}
