import { good, type Disk, type Outcome } from '../terms/terms.js'
import { longestStored, newline } from './stored-line.js'

const chunkBytes = 256 * 1024

/** The line is bytes[start, end), its line end left out; it begins at `offset` of the file. False stops the reading. */
export type LineVisitor = (bytes: Buffer, start: number, end: number, offset: number) => boolean | void

export interface Tail {
  /** Bytes read. */
  readonly length: number
  /** Bytes after the last line end: a line not yet written. */
  readonly tailBytes: number
}

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
  let rest: Buffer = Buffer.alloc(0)
  let restAt = from
  let at = from
  while (to === undefined || at < to) {
    const read = await disk.read(path, at, Math.min(chunkBytes, (to ?? Infinity) - at))
    if (!read.ok) return read
    if (read.value.length === 0) break
    const chunk = Buffer.from(read.value.buffer, read.value.byteOffset, read.value.length)
    const bytes = rest.length > 0 ? Buffer.concat([rest, chunk]) : chunk
    const offsetOf = (start: number): number => (start < rest.length ? restAt : at + start - rest.length)
    let start = 0
    for (let end = bytes.indexOf(newline); end >= 0; end = bytes.indexOf(newline, start)) {
      if (visit(bytes, start, end, offsetOf(start)) === false) return good({ length: at, tailBytes: 0 })
      start = end + 1
    }
    restAt = offsetOf(start)
    rest = bytes.subarray(start, start + longestStored + 1)
    at += chunk.length
  }
  return good({ length: at, tailBytes: at - restAt })
}
