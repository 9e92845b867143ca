import { good, type Disk, type Outcome } from '../terms/terms.js'
import { longestStored, newline } from './stored-line.js'

const chunkBytes = 256 * 1024

/**
 * The line is bytes[start, end), its line end left out; it begins at `offset` of the file. The bytes are the visitor's only
 * during the call. False stops the reading.
 */
export type LineVisitor = (bytes: Buffer, start: number, end: number, offset: number) => boolean | void

export interface Tail {
  /** Bytes read. */
  readonly length: number
  /** Bytes after the last line end: a line not yet written. */
  readonly tailBytes: number
}

/** One buffer waits for the next file: a year is some hundred of them. */
let spare: Buffer | undefined
/** What a line that is not whole yet may hold of a buffer. */
const mostHeld = longestStored + 1

/**
 * Reads a file line by line in chunks, from a byte that begins a line. A line that is too long for any store is given cut
 * short (its CRC cannot pass), so memory stays bounded whatever the file holds.
 * @param to end of what may be read; the file's end when it is absent
 */
export async function eachLine(
  disk: Disk,
  path: string,
  from: number,
  to: number | undefined,
  visit: LineVisitor,
): Promise<Outcome<Tail>> {
  const buffer = spare ?? Buffer.allocUnsafe(mostHeld + chunkBytes)
  spare = undefined
  const read = await eachLineInto(buffer, disk, path, { from, to: to ?? Infinity }, visit)
  spare = buffer
  return read
}

async function eachLineInto(
  buffer: Buffer,
  disk: Disk,
  path: string,
  { from, to }: { from: number; to: number },
  visit: LineVisitor,
): Promise<Outcome<Tail>> {
  /** Bytes of a line that is not whole yet stand at the buffer's start; where they began in the file. */
  let held = 0
  let heldAt = from
  let at = from
  while (at < to) {
    const asked = Math.min(chunkBytes, to - at)
    const read = await disk.read(path, at, asked, buffer.subarray(held, held + asked))
    if (!read.ok) return read
    const { length } = read.value
    if (!isWithin(buffer, read.value, held)) buffer.set(read.value, held)
    const bytes = buffer.subarray(0, held + length)
    let start = 0
    for (let end = bytes.indexOf(newline); end >= 0; end = bytes.indexOf(newline, start)) {
      const offset = start === 0 ? heldAt : at + start - held
      if (visit(bytes, start, end, offset) === false) return good({ length: at, tailBytes: 0 })
      start = end + 1
    }
    if (start > 0) heldAt = at + start - held
    at += length
    held = Math.min(bytes.length - start, mostHeld)
    buffer.copyWithin(0, start, start + held)
    // Fewer bytes than asked for: the end of the file, which need not be asked for again.
    if (length < asked) break
  }
  return good({ length: at, tailBytes: at - heldAt })
}

/** Whether the disk read into the place that it was offered. */
const isWithin = (buffer: Buffer, read: Uint8Array, at: number): boolean =>
  read.buffer === buffer.buffer && read.byteOffset === buffer.byteOffset + at
