import type { FixedFraming } from './layout.js'
import { badChecksum, badTail, noFrame, undecided, viewOf, type Found, type Framing } from './verdicts.js'

/** Fixed length between start and tail. Start and tail bytes also occur inside the data: the sum decides. */
export function fixedFraming(spec: FixedFraming, bytes: Uint8Array): Framing {
  return new Fixed(spec, bytes)
}

class Fixed implements Framing {
  readonly view: DataView
  base = 0
  found: Found = 'reading'

  constructor(
    private readonly spec: FixedFraming,
    private readonly bytes: Uint8Array,
  ) {
    this.view = viewOf(bytes)
  }

  look(from: number, to: number): number {
    const { bytes, spec } = this
    if (bytes[from] !== spec.start[0]) return noFrame
    if (to - from < 2) return undecided
    const kind = bytes[from + 1]
    if (kind !== spec.start[1] && kind !== spec.answer[1]) return noFrame
    if (to - from < spec.length) return undecided
    if (bytes[from + spec.length - 1] !== spec.tail) return badTail
    let sum = 0
    for (let i = from + spec.sumFrom; i <= from + spec.sumTo; i++) sum += bytes[i]
    if ((sum & 0xff) !== bytes[from + spec.sumAt]) return badChecksum
    this.found = kind === spec.start[1] ? 'reading' : 'acknowledgement'
    this.base = from
    return spec.length
  }
}

/** True where a command ends with the 8-bit sum of its data and the tail. */
export function fixedCommandIsWhole(spec: FixedFraming, bytes: Uint8Array): boolean {
  const sumAt = bytes.length - 2
  let sum = 0
  for (let i = spec.sumFrom; i < sumAt; i++) sum += bytes[i]
  return sumAt > spec.sumFrom && (sum & 0xff) === bytes[sumAt] && bytes[sumAt + 1] === spec.tail
}
