import type { Channel, FaultCode, Scaling, StageCounts } from '../terms/terms.js'
import { FieldReader, type OrderedPairs } from './fields.js'
import { framingOf, longestFrame } from './framing.js'
import { scalingsOf, type Layout } from './layout.js'
import { refusalWords, undecided, type Found, type Framing } from './verdicts.js'

/**
 * Called for each frame with a right checksum, in order.
 * @param values in the order of `channels`, in the channels' units; reused: copy what must be kept
 * @param errorCode the frame's error or state byte, 0 for none
 */
export type ReadingSink = (values: Float64Array, errorCode: number) => void

export interface DecoderOptions {
  readonly sink: ReadingSink
  /** Which of the layout's scalings; by default the layout's own choice. */
  readonly scaling?: Scaling
  readonly slot?: string
  /** Called with a copy of each answer that is not a reading. */
  readonly onAnswer?: (found: Exclude<Found, 'reading'>, frame: Uint8Array) => void
}

/**
 * Every byte and frame since the decoder was made:
 * bytesTaken = bytesInFrames + bytesInAnswers + bytesDiscarded + bytesHeld.
 */
export interface LineCounts {
  readonly bytesTaken: number
  readonly bytesInFrames: number
  readonly bytesInAnswers: number
  readonly bytesDiscarded: number
  readonly bytesHeld: number
  readonly framesGood: number
  readonly framesBadChecksum: number
  readonly framesBadLength: number
  readonly framesBadTail: number
  readonly framesBadShape: number
  readonly acknowledgements: number
  /** Answers 'nothing new', blank lines. */
  readonly emptyReplies: number
  /** Runs of discarded bytes: one damaged frame is one, however often a false start was tried inside it. */
  readonly disturbances: number
}

export interface Decoder {
  readonly channels: readonly Channel[]
  /** What must hold in a true reading; for screening. */
  readonly sizeOrder: OrderedPairs
  /** Takes bytes however they were cut; calls the sink for each frame that is complete with them. */
  push(bytes: Uint8Array): void
  /** The line fell silent within a frame (three byte times): gives up what is held. Harmless when nothing is. */
  dropPartial(): void
  /** The line was opened anew: gives up what is held; what comes first may be the rest of a frame. */
  lineOpened(): void
  /** In bytes. */
  counts(): StageCounts
  lineCounts(): LineCounts
  /** What the frames say of the instrument itself, from the last good one. */
  identity(): { readonly version?: number; readonly device?: string }
}

/** @throws for a scaling the layout does not offer; settings check `scalingsOf` first. */
export function createDecoder(layout: Layout, options: DecoderOptions): Decoder {
  const scaling = options.scaling ?? layout.scaling
  const offered = scalingsOf(layout)
  if (options.scaling !== undefined && !offered.includes(options.scaling))
    throw new Error(`layout ${layout.name} offers no scaling ${options.scaling}`)
  return new FrameDecoder(layout, scaling, options)
}

class FrameDecoder implements Decoder {
  readonly channels: readonly Channel[]
  readonly sizeOrder: OrderedPairs
  private readonly reader: FieldReader
  private readonly framing: Framing
  /** Two longest frames: after each scan less than one is held. */
  private readonly buffer: Uint8Array
  private start = 0
  private end = 0
  private bytesTaken = 0
  private bytesInFrames = 0
  private bytesInAnswers = 0
  private framesGood = 0
  private acknowledgements = 0
  private emptyReplies = 0
  private disturbances = 0
  private disturbed = false
  private readonly refused = new Float64Array(refusalWords.length)

  constructor(
    layout: Layout,
    scaling: Scaling | undefined,
    private readonly options: DecoderOptions,
  ) {
    this.reader = new FieldReader(layout, scaling, options.slot)
    this.channels = this.reader.channels
    this.sizeOrder = this.reader.sizeOrder
    this.buffer = new Uint8Array(2 * longestFrame(layout.framing))
    this.framing = framingOf(layout, this.buffer)
  }

  push(bytes: Uint8Array): void {
    this.bytesTaken += bytes.length
    let at = 0
    while (at < bytes.length) {
      at = this.fill(bytes, at)
      this.scan()
    }
  }

  /** Copies what fits; the position of the first byte that did not. A plain loop beats a view object for a frame. */
  private fill(bytes: Uint8Array, at: number): number {
    const buffer = this.buffer
    if (this.start > 0) {
      if (this.start < this.end) buffer.copyWithin(0, this.start, this.end)
      this.end -= this.start
      this.start = 0
    }
    const stop = Math.min(bytes.length, at + buffer.length - this.end)
    let end = this.end
    while (at < stop) buffer[end++] = bytes[at++]
    this.end = end
    return at
  }

  private scan(): void {
    const { framing, end } = this
    while (this.start < end) {
      const verdict = framing.look(this.start, end)
      if (verdict === undecided) return
      if (verdict > 0) this.accept(verdict)
      else this.refuse(-verdict)
    }
  }

  private accept(length: number): void {
    this.disturbed = false
    const from = this.start
    this.start += length
    if (this.framing.found !== 'reading') return this.acceptAnswer(this.framing.found, from, length)
    this.framesGood++
    this.bytesInFrames += length
    this.reader.read(this.framing.view, this.framing.base)
    this.options.sink(this.reader.values, this.reader.errorCode)
  }

  private acceptAnswer(found: Exclude<Found, 'reading'>, from: number, length: number): void {
    if (found === 'empty') this.emptyReplies++
    else this.acknowledgements++
    this.bytesInAnswers += length
    this.options.onAnswer?.(found, this.buffer.slice(from, from + length))
  }

  /** One byte, never the length that a damaged frame claims: the next good frame may begin inside it. */
  private refuse(reason: number): void {
    this.refused[reason]++
    this.start++
    if (!this.disturbed) this.disturbances++
    this.disturbed = true
  }

  dropPartial(): void {
    while (this.start < this.end) {
      this.framing.gaveUp?.()
      this.refuse(0)
      this.scan()
    }
  }

  lineOpened(): void {
    this.dropPartial()
    this.framing.gaveUp?.()
  }

  counts(): StageCounts {
    const refused: Record<string, number> = {}
    refusalWords.forEach((word, i) => (refused[word] = this.refused[i]))
    return {
      taken: this.bytesTaken,
      given: this.bytesInFrames + this.bytesInAnswers,
      held: this.end - this.start,
      refused,
    }
  }

  lineCounts(): LineCounts {
    const [, , badLength, badChecksum, badTail, badShape] = this.refused
    return {
      bytesTaken: this.bytesTaken,
      bytesInFrames: this.bytesInFrames,
      bytesInAnswers: this.bytesInAnswers,
      bytesDiscarded: this.refused.reduce((sum, n) => sum + n, 0),
      bytesHeld: this.end - this.start,
      framesGood: this.framesGood,
      framesBadChecksum: badChecksum,
      framesBadLength: badLength,
      framesBadTail: badTail,
      framesBadShape: badShape,
      acknowledgements: this.acknowledgements,
      emptyReplies: this.emptyReplies,
      disturbances: this.disturbances,
    }
  }

  identity(): { version?: number; device?: string } {
    const { version, device } = this.reader
    return {
      ...(version === version ? { version } : {}),
      ...(device === device ? { device: device.toString(16).toUpperCase().padStart(4, '0') } : {}),
    }
  }
}

/** What came from the line in a span of time. 'answers-only': it speaks, but gives no reading (asleep, passive, idle). */
export type Heard = 'nothing' | 'bytes-without-frames' | 'answers-only' | 'frames'

/** Compares two snapshots of one decoder's counts; without the first: since the decoder was made. */
export function heardBetween(before: LineCounts | undefined, after: LineCounts): Heard {
  const grew = (key: keyof LineCounts): boolean => after[key] > (before?.[key] ?? 0)
  if (grew('framesGood')) return 'frames'
  if (grew('bytesInAnswers')) return 'answers-only'
  return grew('bytesTaken') ? 'bytes-without-frames' : 'nothing'
}

/** The fault a silent or unreadable line is told by; none where the instrument speaks. */
export function faultOfHeard(heard: Heard): FaultCode | undefined {
  if (heard === 'nothing') return 'sensor-silent'
  return heard === 'bytes-without-frames' ? 'sensor-garbage' : undefined
}
