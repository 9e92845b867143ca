import type { Random } from '../terms/terms.js'

/** Small seeded generator (mulberry32, public domain): the same seed gives the same made site on every machine. */
export function seededRandom(seed: number): Random & { normal(): number } {
  let state = seed >>> 0
  const next = (): number => {
    state = (state + 0x6d2b79f5) >>> 0
    let t = Math.imul(state ^ (state >>> 15), state | 1)
    t = (t + Math.imul(t ^ (t >>> 7), t | 61)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296
  }
  /** Standard normal, Box and Muller 1958. */
  const normal = (): number => Math.sqrt(-2 * Math.log(1 - next())) * Math.cos(2 * Math.PI * next())
  return { next, normal }
}
