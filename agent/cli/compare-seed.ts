/** Chance with a seed that is told, so that every interval can be had again. */
import { seededRandom } from '../simulation/random.js'
import { wrongUse, type Opened } from './desk.js'

export const usualSeed = 1
export const draws = 1000

export function readSeed(typed: string | undefined): Opened<number> {
  if (typed === undefined) return { ok: true, value: usualSeed }
  return /^\d{1,9}$/.test(typed)
    ? { ok: true, value: Number(typed) }
    : wrongUse(`--seed ${typed}: expected a whole number of at most nine digits`)
}

/** For each draw the starts of as many moving blocks as fill a series of this length. */
export function* blockStarts(length: number, blockLength: number, seed: number): Generator<number[]> {
  const random = seededRandom(seed)
  const blocks = Math.ceil(length / blockLength)
  for (let draw = 0; draw < draws; draw++)
    yield Array.from({ length: blocks }, () => Math.floor(random.next() * (length - blockLength + 1)))
}
