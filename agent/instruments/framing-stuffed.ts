import type { StuffedFraming } from './layout.js'
import {
  badChecksum,
  badLength,
  badShape,
  noFrame,
  undecided,
  viewOf,
  type Found,
  type Framing,
} from './verdicts.js'

/** Bytes before the data: address, command, state, length. */
const headBytes = 4
const flip = 0x20

/** Byte-stuffed frames between delimiters. The closing delimiter belongs to its frame, the next one opens anew. */
export function stuffedFraming(spec: StuffedFraming, bytes: Uint8Array): Framing {
  return new Stuffed(spec, bytes)
}

class Stuffed implements Framing {
  readonly view: DataView
  readonly base = 0
  found: Found = 'reading'
  private readonly plain: Uint8Array
  private readonly longest: number

  constructor(
    private readonly spec: StuffedFraming,
    private readonly bytes: Uint8Array,
  ) {
    const longestPlain = headBytes + spec.length + 1
    this.longest = 2 + 2 * longestPlain
    this.plain = new Uint8Array(2 * longestPlain)
    this.view = viewOf(this.plain)
  }

  look(from: number, to: number): number {
    const { bytes, spec, longest } = this
    if (bytes[from] !== spec.delimiter) return noFrame
    const limit = Math.min(to, from + longest)
    let end = from + 1
    while (end < limit && bytes[end] !== spec.delimiter) end++
    if (end === limit) return limit - from === longest ? badLength : undecided
    if (end === from + 1) return noFrame
    const length = unstuff(spec, bytes, from + 1, end, this.plain)
    const verdict = length < 0 ? badShape : this.judge(length)
    return verdict === 0 ? end + 1 - from : verdict
  }

  /** 0 for a frame to believe, else why not. */
  private judge(length: number): number {
    const { plain, spec } = this
    if (length < headBytes + 1) return badLength
    if (!checkIsRight(plain, length)) return badChecksum
    const dataBytes = length - headBytes - 1
    if (plain[3] !== dataBytes) return badLength
    if (plain[0] !== spec.address) return badShape
    if (plain[1] !== spec.command) this.found = 'acknowledgement'
    else if (dataBytes === spec.length) this.found = 'reading'
    else if (dataBytes === 0) this.found = plain[2] === 0 ? 'empty' : 'acknowledgement'
    else return badLength
    return 0
  }
}

/** Takes the stuffing out of [from, to) into `plain`; its length, or -1 where an escape does not exist. */
function unstuff(
  spec: StuffedFraming,
  bytes: Uint8Array,
  from: number,
  to: number,
  plain: Uint8Array,
): number {
  let length = 0
  for (let i = from; i < to; i++) {
    let byte = bytes[i]
    if (byte === spec.escape) {
      byte = ++i < to ? bytes[i] ^ flip : -1
      if (!spec.stuffed.includes(byte)) return -1
    }
    plain[length++] = byte
  }
  return length
}

/** The check is the inverted sum, so that everything with it adds up to FFh. */
function checkIsRight(plain: Uint8Array, length: number): boolean {
  let sum = 0
  for (let i = 0; i < length; i++) sum += plain[i]
  return (sum & 0xff) === 0xff
}

/** Puts the stuffing in: the bytes as they go on the wire, without delimiters. */
export function stuff(spec: StuffedFraming, plain: Uint8Array): Uint8Array {
  return Uint8Array.from(
    [...plain].flatMap((byte) => (spec.stuffed.includes(byte) ? [spec.escape, byte ^ flip] : [byte])),
  )
}

/** A whole frame on the wire from address, command and the rest: check added, stuffed, between delimiters. */
export function stuffedFrame(spec: StuffedFraming, body: Uint8Array): Uint8Array {
  const check = ~body.reduce((sum, byte) => sum + byte, 0) & 0xff
  return Uint8Array.from([spec.delimiter, ...stuff(spec, Uint8Array.from([...body, check])), spec.delimiter])
}

/** True where a command is one whole frame with a right check and length. */
export function stuffedCommandIsWhole(spec: StuffedFraming, bytes: Uint8Array): boolean {
  const last = bytes.length - 1
  if (last < 5 || bytes[0] !== spec.delimiter || bytes[last] !== spec.delimiter) return false
  const plain = new Uint8Array(bytes.length)
  const length = unstuff(spec, bytes, 1, last, plain)
  return length >= headBytes && checkIsRight(plain, length) && plain[2] === length - headBytes
}
