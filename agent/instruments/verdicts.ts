/**
 * What a framing says of the bytes before it: a length above 0 (a whole frame stands there), 0 (more bytes must come),
 * or below 0 why no frame starts at the first of them. The decoder then gives up exactly that one byte.
 */
export const undecided = 0
export const noFrame = -1
export const badLength = -2
export const badChecksum = -3
export const badTail = -4
/** An escape that does not exist, another device's address, a line that does not match. */
export const badShape = -5

/** Words for the refusals by -verdict; the first is for bytes given up because the line fell silent. */
export const refusalWords = [
  'cut-short',
  'no-frame',
  'bad-length',
  'bad-checksum',
  'bad-tail',
  'bad-shape',
] as const

/** What a whole frame is: a reading, an acknowledgement of a command, or the answer 'nothing new'. */
export type Found = 'reading' | 'acknowledgement' | 'empty'

/**
 * Finds frames in one buffer. A verdict depends on the bytes alone, never on how they arrived, so that any chunking of
 * a stream gives the same result.
 */
export interface Framing {
  /** Where the fields of the frame found last are read from, and its first byte there. */
  readonly view: DataView
  base: number
  found: Found
  /** Judges the bytes from `from` up to `to`, at least one. */
  look(from: number, to: number): number
  /** Told when held bytes are given up: what follows may be the rest of a frame. */
  gaveUp?(): void
}

export const viewOf = (bytes: Uint8Array): DataView =>
  new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength)
