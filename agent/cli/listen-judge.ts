import {
  createDecoder,
  readingBytes,
  recognise,
  recogniseBytesLimit,
  type Candidate,
  type Decoder,
  type Layout,
} from '../instruments/instruments.js'

/**
 * What some bytes sound like. 'answers': commands are answered, but no reading comes; 'damaged': frames of a layout with
 * wrong checksums; 'echo': nothing but our own commands; 'noise': none of these.
 */
export type Sound = 'frames' | 'answers' | 'damaged' | 'console' | 'text' | 'echo' | 'noise' | 'nothing'

/** From the most telling to the least. */
export const soundOrder: readonly Sound[] = [
  'frames',
  'answers',
  'damaged',
  'console',
  'text',
  'echo',
  'noise',
  'nothing',
]

export interface Judgement {
  readonly sound: Sound
  /** Best first; empty unless frames or answers came. */
  readonly candidates: readonly Candidate[]
  /** What came, without the repeated commands. */
  readonly bytes: Uint8Array
  /** How many of our commands came back. */
  readonly echoes: number
  readonly damaged?: { readonly layout: Layout; readonly frames: number }
  /** A few lines of what can be read, for a person; nothing in it steers a terminal. */
  readonly sample: readonly string[]
  /** A login console or a starting kernel wrote on the line, beside whatever else came. */
  readonly consoleToo: boolean
  /** Nearly all bytes are this one: a line that is held, not one that speaks. */
  readonly held?: 0x00 | 0xff
}

/** A byte or two come with the plug; fewer than this say nothing. */
export const fewBytes = 16
const damagedShare = 0.5
const textShare = 0.9
const heldShare = 0.9

/** @param sent the commands that were sent, for telling an echo */
export function judge(heard: Uint8Array, sent: readonly Uint8Array[], layouts: readonly Layout[]): Judgement {
  const { bytes, echoes } = withoutEchoes(heard, sent)
  const newest = bytes.subarray(-recogniseBytesLimit)
  const candidates = speaking(recognise(newest, layouts))
  const damaged = candidates.length > 0 ? undefined : damagedFrames(newest, layouts)
  const words = wordsIn(newest)
  const consoleToo = isConsole(words)
  const sound = candidates.length > 0 ? soundOf(candidates) : otherSound(newest, damaged, consoleToo, echoes)
  return {
    sound,
    candidates,
    bytes,
    echoes,
    ...(damaged ? { damaged } : {}),
    sample: sound === 'console' || sound === 'text' ? sampleOf(words) : [],
    consoleToo,
    ...heldOf(newest),
  }
}

/** Answers say little beside readings of another layout. */
function speaking(candidates: readonly Candidate[]): readonly Candidate[] {
  const reading = candidates.filter(({ framesGood }) => framesGood > 0)
  return reading.length > 0 ? reading : candidates
}

const soundOf = (candidates: readonly Candidate[]): Sound =>
  candidates[0].framesGood > 0 ? 'frames' : 'answers'

function otherSound(bytes: Uint8Array, damaged: unknown, console: boolean, echoes: number): Sound {
  if (damaged) return 'damaged'
  if (console) return 'console'
  if (bytes.length >= fewBytes && readableShare(bytes) >= textShare) return 'text'
  if (echoes > 0 && bytes.length < fewBytes) return 'echo'
  return bytes.length > 0 ? 'noise' : 'nothing'
}

/** A repeated start command would pass for an answer, so echoes go before anything is recognised. */
function withoutEchoes(heard: Uint8Array, sent: readonly Uint8Array[]): Pick<Judgement, 'bytes' | 'echoes'> {
  let bytes: Buffer = Buffer.from(heard)
  let echoes = 0
  for (const command of sent) {
    const pieces = piecesBetween(bytes, command)
    echoes += pieces.length - 1
    bytes = Buffer.concat(pieces)
  }
  return { bytes, echoes }
}

function piecesBetween(bytes: Buffer, command: Uint8Array): Buffer[] {
  const pieces: Buffer[] = []
  let from = 0
  for (let at = bytes.indexOf(command); at >= 0; at = bytes.indexOf(command, from)) {
    pieces.push(bytes.subarray(from, at))
    from = at + command.length
  }
  return [...pieces, bytes.subarray(from)]
}

/** The layout whose frames are there but broken: noise makes false starts too, but never this many. */
function damagedFrames(bytes: Uint8Array, layouts: readonly Layout[]): Judgement['damaged'] {
  const found = layouts
    .filter((layout) => layout.framing.kind !== 'lines')
    .map((layout) => ({ layout, frames: brokenIn(bytes, layout) }))
    .filter(({ layout, frames }) => frames >= leastBroken(layout))
    .map((one) => ({ ...one, share: (one.frames * readingBytes(one.layout)) / bytes.length }))
    .filter(({ share }) => share >= damagedShare)
    .sort((a, b) => b.share - a.share)[0]
  return found && { layout: found.layout, frames: found.frames }
}

/** Any two delimiters make a frame with a wrong check: noise has some pairs of them, but not three in a row. */
const leastBroken = ({ framing }: Layout): number => (framing.kind === 'stuffed' ? 3 : 2)

function brokenIn(bytes: Uint8Array, layout: Layout): number {
  const { framesBadChecksum, framesBadTail } = decode(layout, bytes).decoder.lineCounts()
  return framesBadChecksum + framesBadTail
}

/** The newest reading in some bytes, in the channels' units, with the decoder that found it. */
export function decode(
  layout: Layout,
  bytes: Uint8Array,
): { decoder: Decoder; values?: readonly number[]; errorCode: number } {
  let values: number[] | undefined
  let errorCode = 0
  const decoder = createDecoder(layout, {
    sink: (newest, error) => {
      values = [...newest]
      errorCode = error
    },
  })
  decoder.push(bytes)
  return { decoder, values, errorCode }
}

const isReadable = (byte: number): boolean => (byte >= 0x20 && byte < 0x7f) || (byte >= 0x09 && byte <= 0x0d)

const readableShare = (bytes: Uint8Array): number => bytes.filter(isReadable).length / bytes.length

const wordsIn = (bytes: Uint8Array): string => Buffer.from(bytes).toString('latin1')

/** Times of a kernel's messages, a login, a shell's prompt. */
const consoleShapes = [/\[ *\d+\.\d{6}\] /, /\blogin: /i, /\bpassword: /i, /[\w.-]+@[\w.-]+:\S*[#$] *$/m]

const isConsole = (words: string): boolean => consoleShapes.some((shape) => shape.test(words))

function sampleOf(words: string): string[] {
  return words
    .split(/[\r\n]+/)
    .map((line) => line.replaceAll(/[^\x20-\x7e]/g, '').trim())
    .filter((line) => line !== '')
    .slice(-3)
    .map((line) => line.slice(0, 80))
}

function heldOf(bytes: Uint8Array): Pick<Judgement, 'held'> {
  const share = (value: number): number => bytes.filter((byte) => byte === value).length / bytes.length
  if (bytes.length < fewBytes) return {}
  return share(0x00) >= heldShare ? { held: 0x00 } : share(0xff) >= heldShare ? { held: 0xff } : {}
}
