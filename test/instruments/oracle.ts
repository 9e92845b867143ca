/**
 * Whether a whole frame (reading or answer) stands at a place, judged apart from the decoder and as plainly as possible:
 * the property tests need junk of which they know that it holds none.
 */
import type { Layout, StuffedFraming } from '../../agent/instruments/instruments.js'

export function frameStandsAt(layout: Layout, bytes: Uint8Array, at: number): boolean {
  const { framing } = layout
  if (framing.kind === 'length-word')
    return [framing.length, ...framing.answers].some((length) => lengthWordAt(bytes, at, length))
  if (framing.kind === 'fixed') return tenBytesAt(bytes, at)
  return framing.kind === 'stuffed' && stuffedAt(framing, bytes, at)
}

const total = (bytes: Uint8Array): number => bytes.reduce((sum, byte) => sum + byte, 0)

function lengthWordAt(bytes: Uint8Array, at: number, length: number): boolean {
  const frame = bytes.slice(at, at + 4 + length)
  if (frame.length < 4 + length || frame[0] !== 0x42 || frame[1] !== 0x4d) return false
  if (frame[2] * 256 + frame[3] !== length) return false
  return total(frame.slice(0, -2)) % 65_536 === frame.at(-2)! * 256 + frame.at(-1)!
}

function tenBytesAt(bytes: Uint8Array, at: number): boolean {
  const frame = bytes.slice(at, at + 10)
  if (frame.length < 10 || frame[0] !== 0xaa || (frame[1] !== 0xc0 && frame[1] !== 0xc5) || frame[9] !== 0xab)
    return false
  return total(frame.slice(2, 8)) % 256 === frame[8]
}

function stuffedAt(framing: StuffedFraming, bytes: Uint8Array, at: number): boolean {
  const end = bytes.indexOf(0x7e, at + 1)
  if (bytes[at] !== 0x7e || end < 0) return false
  const plain: number[] = []
  for (let i = at + 1; i < end; i++) plain.push(bytes[i] === 0x7d ? bytes[++i] ^ 0x20 : bytes[i])
  const frame = Uint8Array.from(plain)
  return (
    frame.length >= 5 &&
    total(frame) % 256 === 0xff &&
    frame[3] === frame.length - 5 &&
    frame[0] === framing.address
  )
}
