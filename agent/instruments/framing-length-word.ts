import type { LengthWordFraming } from './layout.js'
import { badChecksum, badLength, noFrame, undecided, viewOf, type Found, type Framing } from './verdicts.js'

/**
 * Start bytes, length word, payload, 16-bit sum. Only known lengths are believed, so a damaged length word costs one
 * byte and never waits for bytes that will not come.
 */
export function lengthWordFraming(spec: LengthWordFraming, bytes: Uint8Array): Framing {
  return new LengthWord(spec, bytes)
}

class LengthWord implements Framing {
  readonly view: DataView
  base = 0
  found: Found = 'reading'
  private readonly first: number
  private readonly second: number
  private readonly reading: number

  constructor(
    private readonly spec: LengthWordFraming,
    private readonly bytes: Uint8Array,
  ) {
    this.view = viewOf(bytes)
    this.first = spec.start[0]
    this.second = spec.start[1]
    this.reading = spec.length
  }

  look(from: number, to: number): number {
    const bytes = this.bytes
    if (bytes[from] !== this.first) return noFrame
    if (to - from < 2) return undecided
    if (bytes[from + 1] !== this.second) return noFrame
    if (to - from < 4) return undecided
    const word = (bytes[from + 2] << 8) | bytes[from + 3]
    if (word !== this.reading && !this.spec.answers.includes(word)) return badLength
    const length = word + 4
    if (to - from < length) return undecided
    if (!sumIsRight(bytes, from, length)) return badChecksum
    this.found = word === this.reading ? 'reading' : 'acknowledgement'
    this.base = from
    return length
  }
}

function sumIsRight(bytes: Uint8Array, from: number, length: number): boolean {
  const sumAt = from + length - 2
  let sum = 0
  for (let i = from; i < sumAt; i++) sum += bytes[i]
  return (sum & 0xffff) === ((bytes[sumAt] << 8) | bytes[sumAt + 1])
}

/** True where a command ends with the 16-bit sum of the bytes before. */
export const lengthWordCommandIsWhole = (bytes: Uint8Array): boolean =>
  bytes.length >= 3 && sumIsRight(bytes, 0, bytes.length)
