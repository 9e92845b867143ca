import { fixedFraming } from './framing-fixed.js'
import { lengthWordFraming } from './framing-length-word.js'
import { linesFraming } from './framing-lines.js'
import { stuffedFraming } from './framing-stuffed.js'
import type { FramingSpec, Layout } from './layout.js'
import type { Framing } from './verdicts.js'

/** Most bytes a frame of this framing can take on the wire. */
export function longestFrame(spec: FramingSpec): number {
  switch (spec.kind) {
    case 'length-word':
      return 4 + Math.max(spec.length, ...spec.answers)
    case 'fixed':
      return spec.length
    case 'stuffed':
      return 2 + 2 * (stuffedOverhead + spec.length)
    case 'lines':
      return spec.longest
  }
}

/** Bytes of a frame that fields may stand in; text lines have none. */
export function frameBytes(spec: FramingSpec): number {
  if (spec.kind === 'length-word') return 4 + spec.length
  if (spec.kind === 'fixed') return spec.length
  return spec.kind === 'stuffed' ? stuffedOverhead + spec.length : 0
}

/** Address, command, state, length and check. */
const stuffedOverhead = 5

/**
 * Bytes of one reading on the wire, to tell how many are in a pull; 0 for text lines, whose ends can be counted. Stuffed
 * frames are a little longer now and then.
 */
export function readingBytes(layout: Layout): number {
  const { framing } = layout
  return framing.kind === 'stuffed' ? frameBytes(framing) + 2 : frameBytes(framing)
}

/** The code that finds frames of a layout in `bytes`, the decoder's own buffer. */
export function framingOf(layout: Layout, bytes: Uint8Array): Framing {
  const spec = layout.framing
  switch (spec.kind) {
    case 'length-word':
      return lengthWordFraming(spec, bytes)
    case 'fixed':
      return fixedFraming(spec, bytes)
    case 'stuffed':
      return stuffedFraming(spec, bytes)
    case 'lines':
      return linesFraming(layout, spec, bytes)
  }
}
