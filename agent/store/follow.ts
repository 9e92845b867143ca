/** What was appended to a lines file since somebody last looked: for who follows an archive while it grows. */
import { good, parseColumnSet, type ColumnSet, type Disk, type Outcome } from '../terms/terms.js'
import type { ArrivedLine } from './archive.js'
import { eachLine } from './each-line.js'
import { passes, seedOf, seqOf, textOf } from './stored-line.js'

/** A place behind a line end. */
export interface FileMark {
  readonly bytes: number
  /** The last nine characters before that line end: by them another file under the same name is noticed. */
  readonly lastCrc: string
}

export interface Followed {
  /** In the order in which they stand there. */
  readonly lines: readonly ArrivedLine[]
  /** Those that were explained on the way. */
  readonly sets: readonly ColumnSet[]
  readonly mark: FileMark
  /** Lines whose CRC does not pass. */
  readonly damaged: number
  /** False where `mostLines` ended it. */
  readonly isWhole: boolean
}

export const fileStart: FileMark = { bytes: 0, lastCrc: '' }
const crcCharacters = 9

/** Reads on from a mark; a file that is not the one it was made in is read from its start. Faults: disk-*. */
export async function followFile(
  disk: Disk,
  storeId: string,
  name: string,
  mark: FileMark,
  mostLines: number,
): Promise<Outcome<Followed>> {
  const same = await isSame(disk, name, mark)
  if (!same.ok) return same
  const from = same.value ? mark : fileStart
  const seed = seedOf(storeId, name)
  const found = { lines: [] as ArrivedLine[], sets: [] as ColumnSet[], mark: from, damaged: 0, isWhole: true }
  const read = await eachLine(disk, name, from.bytes, undefined, (bytes, start, end, offset) => {
    if (found.lines.length >= mostLines) return (found.isWhole = false)
    take(found, bytes, start, end, seed)
    const lastCrc = bytes.toString('latin1', Math.max(start, end - crcCharacters), end)
    found.mark = { bytes: offset + end - start + 1, lastCrc }
  })
  return read.ok ? good(found) : read
}

async function isSame(disk: Disk, name: string, { bytes, lastCrc }: FileMark): Promise<Outcome<boolean>> {
  if (bytes === 0) return good(true)
  const length = lastCrc.length + 1
  const read = await disk.read(name, bytes - length, length)
  return read.ok ? good(Buffer.from(read.value).toString('latin1') === lastCrc + '\n') : read
}

function take(
  found: { lines: ArrivedLine[]; sets: ColumnSet[]; damaged: number },
  bytes: Buffer,
  start: number,
  end: number,
  seed: number,
): void {
  if (!passes(bytes, start, end, seed)) {
    if (end > start) found.damaged++
    return
  }
  const seq = seqOf(bytes, start, end)
  const text = textOf(bytes, start, end)
  if (seq !== undefined) return void found.lines.push({ seq, text })
  const set = parseColumnSet(text)
  if (set) found.sets.push(set)
}
