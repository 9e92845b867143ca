import { createDecoder } from './decoder.js'
import type { Layout } from './layout.js'

export type Sureness = 'certain' | 'likely' | 'possible'

/** One layout that explains some of what was heard. */
export interface Candidate {
  readonly layout: Layout
  readonly framesGood: number
  /** Acknowledgements and 'nothing new'. */
  readonly answers: number
  /** Share of the bytes that belong to frames and answers, 0 to 1; the ragged ends of a capture lower it. */
  readonly shareExplained: number
  readonly sure: Sureness
}

/** Most bytes looked at; a capture of half a minute at 9600 baud is half of it. */
export const recogniseBytesLimit = 65_536

/**
 * Tries layouts on what came from a port, best first. A polled instrument says nothing until it is asked, so its `read`
 * command must have been sent. Layouts that explain nothing are left out.
 */
export function recognise(bytes: Uint8Array, layouts: readonly Layout[]): Candidate[] {
  const heard = bytes.subarray(0, recogniseBytesLimit)
  return layouts
    .map((layout) => tryLayout(heard, layout))
    .filter(explainsSomething)
    .sort((a, b) => b.shareExplained - a.shareExplained || b.framesGood - a.framesGood)
}

/** Blank lines are in any text, so they are no evidence of a layout of lines. */
const explainsSomething = ({ layout, framesGood, answers }: Candidate): boolean =>
  framesGood > 0 || (answers > 0 && layout.framing.kind !== 'lines')

function tryLayout(bytes: Uint8Array, layout: Layout): Candidate {
  const decoder = createDecoder(layout, { sink: () => undefined })
  decoder.push(bytes)
  const counts = decoder.lineCounts()
  const explained = counts.bytesInFrames + counts.bytesInAnswers
  const shareExplained = bytes.length === 0 ? 0 : explained / bytes.length
  const answers = counts.acknowledgements + counts.emptyReplies
  return {
    layout,
    framesGood: counts.framesGood,
    answers,
    shareExplained,
    sure: surenessOf(counts.framesGood, shareExplained),
  }
}

/** Noise makes one frame of the shortest layout (32 bits to be right) in some gigabytes; three never. */
function surenessOf(framesGood: number, share: number): Sureness {
  if (framesGood >= 3 && share >= 0.5) return 'certain'
  return framesGood >= 1 && share >= 0.2 ? 'likely' : 'possible'
}
