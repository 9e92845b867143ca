/** Every line of a folder as it stands, with its place: for who checks a store or follows one line. Writes nothing. */
import {
  good,
  longestLine,
  parseColumnSet,
  parseLine,
  type ColumnSet,
  type Disk,
  type Line,
  type Outcome,
} from '../terms/terms.js'
import { eachLine } from './each-line.js'
import { readIdentity } from './identity.js'
import { linesFiles, type LinesName } from './names.js'
import { isCut, passes, readHeader, seedOf, seqOf, textOf, type Identity } from './stored-line.js'

export interface LinePlace {
  readonly file: string
  /** Counted from 1, as an editor does. */
  readonly lineNumber: number
  /** Of its first byte in the file. */
  readonly offset: number
}

/** What stands at a place. */
export type FoundLine = LinePlace &
  (
    | { readonly state: 'line'; readonly seq: number; readonly text: string; readonly crc: string }
    /** File header, columns, or a line of a later release without a number. */
    | { readonly state: 'heading'; readonly text: string }
    /** The CRC does not pass. `seq`: what its second cell seems to say. */
    | { readonly state: 'damaged'; readonly seq?: number; readonly head: string }
    /** Left half written by a power cut, and ended by the start after it. */
    | { readonly state: 'cut'; readonly seq?: number }
    /** Without line end: being written, or cut off. */
    | { readonly state: 'not-yet' }
  )

export interface FolderFiles {
  readonly identity: Identity
  /** In the order in which they count. */
  readonly files: readonly LinesName[]
  /** A collector's: files of a fixed range, in order of arrival. */
  readonly isArchive: boolean
  /** What else lies in the folder. */
  readonly others: readonly string[]
}

/** What a folder consists of; undefined for an empty one. Faults: store-foreign, disk-*. */
export async function folderFiles(disk: Disk): Promise<Outcome<FolderFiles | undefined>> {
  const read = await readIdentity(disk)
  if (!read.ok || !read.value) return read as Outcome<undefined>
  const { identity, names } = read.value
  const files = linesFiles(names)
  const known = new Set(files.map(({ name }) => name))
  const others = names.filter((name) => !known.has(name))
  return good({ identity, files, isArchive: files.some(({ last }) => last !== undefined), others })
}

const headCharacters = 60

/** Gives every line of these files; a visitor that answers false ends the reading of its file. */
export async function eachFoundLine(
  disk: Disk,
  storeId: string,
  files: readonly string[],
  visit: (found: FoundLine) => boolean | void,
): Promise<Outcome<void>> {
  for (const file of files) {
    const seed = seedOf(storeId, file)
    let lineNumber = 0
    const read = await eachLine(disk, file, 0, undefined, (bytes, start, end, offset) =>
      visit(foundLine({ file, lineNumber: ++lineNumber, offset }, bytes, start, end, seed)),
    )
    if (!read.ok) return read
    const { length, tailBytes } = read.value
    if (tailBytes > 0)
      visit({ file, lineNumber: lineNumber + 1, offset: length - tailBytes, state: 'not-yet' })
  }
  return good(undefined)
}

function foundLine(place: LinePlace, bytes: Buffer, start: number, end: number, seed: number): FoundLine {
  const seq = seqOf(bytes, start, end)
  const number = seq === undefined ? {} : { seq }
  if (isCut(bytes, start, end)) return { ...place, state: 'cut', ...number }
  if (!passes(bytes, start, end, seed)) {
    const head = bytes.toString('utf8', start, Math.min(end, start + headCharacters))
    return { ...place, state: 'damaged', ...number, head }
  }
  const text = textOf(bytes, start, end)
  if (seq === undefined) return { ...place, state: 'heading', text }
  return { ...place, state: 'line', seq, text, crc: bytes.toString('latin1', end - 9, end) }
}

/** The store that a file's first line names, whether or not it passes; undefined when it names none. */
export const namedStore = (head: string): string | undefined =>
  /^file,,\d+,([A-Za-z0-9-]{4,64}),/.exec(head)?.[1]

/** A line is understood when it reads as this release would write it; one of unknown columns waits for them. */
export function readFoundLine(
  text: string,
  sets: ReadonlyMap<string, ColumnSet>,
): Line | 'unexplained' | undefined {
  const line = text.length <= longestLine ? parseLine(text, sets) : undefined
  if (line) return line
  const [kind, , set] = text.split(',', 3)
  return kind === 'record' && set !== undefined && !sets.has(set) ? 'unexplained' : undefined
}

/** Whether a heading is one of this format; columns are learned. */
export function readHeading(
  text: string,
  file: string,
  sets: Map<string, ColumnSet>,
): 'columns' | 'file' | 'other' {
  const set = parseColumnSet(text)
  if (set) sets.set(set.id, set)
  if (set) return 'columns'
  return readHeader(text, file) === undefined ? 'other' : 'file'
}
