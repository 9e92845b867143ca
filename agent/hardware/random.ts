import { randomBytes } from 'node:crypto'
import type { Random } from '../terms/terms.js'

/** The system's own randomness: spreads the stations of a group, whatever their clocks say. */
export const systemRandom: Random = { next: () => randomBytes(4).readUInt32BE() / 2 ** 32 }
