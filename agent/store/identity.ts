/** Whose store a folder is: store.json, made once; where that is lost, the header of a lines file says it too. */
import { bad, good, lineFormat, type Disk, type Outcome } from '../terms/terms.js'
import { marksOf, type Board, type BoardMarks } from './board-marks.js'
import { besideNames, earlierFolder, identityName, linesFiles } from './names.js'
import { isStoreId, newline, passes, readHeader, seedOf, textOf, type Identity } from './stored-line.js'
import { writeAll } from './write-all.js'

const temporary = `${identityName}.tmp`
const longestIdentity = 4096
const noContent: readonly string[] = [temporary, earlierFolder, 'lost+found', ...besideNames]

type Read = (Identity & { readonly board?: BoardMarks }) | 'other-format' | undefined

export interface Folder {
  readonly identity: Identity
  /** Names in the folder. */
  readonly names: readonly string[]
  /** What told the board that it was made on; see board.ts. */
  readonly board?: BoardMarks
}

/**
 * Reads the identity of a folder; nothing is written. An empty folder gives undefined.
 * Faults: store-foreign where the folder holds something else, disk-*.
 */
export async function readIdentity(
  disk: Disk,
): Promise<Outcome<(Folder & { fromHeader: boolean }) | undefined>> {
  const listed = await disk.list('')
  if (!listed.ok) return listed
  const names = listed.value
  const candidates = [
    ...linesFiles(names).map((file) => file.name),
    ...names.filter((name) => name === identityName),
  ]
  for (const name of candidates.reverse()) {
    const read = await disk.read(name, 0, longestIdentity)
    if (!read.ok) return read
    const bytes = Buffer.from(read.value)
    const identity = name === identityName ? parseIdentity(bytes.toString()) : headerOf(bytes, name)
    if (identity === 'other-format') return bad('store-foreign', `${disk.name}: ${name} is of another format`)
    if (!identity) continue
    const { board, ...own } = identity
    return good({ identity: own, names, fromHeader: name !== identityName, ...(board ? { board } : {}) })
  }
  const notOurs = (name: string): boolean => !noContent.includes(name) && !name.startsWith('.')
  const other = names.find(notOurs)
  return other === undefined ? good(undefined) : bad('store-foreign', `${disk.name} holds ${other}`)
}

function parseIdentity(text: string): Read {
  let value: unknown
  try {
    value = JSON.parse(text)
  } catch {
    return undefined
  }
  const { motepost, format, store, station, board } = Object(value) as Record<string, unknown>
  if (motepost !== 'store') return undefined
  if (format !== lineFormat) return 'other-format'
  if (!isStoreId(store) || typeof station !== 'string') return undefined
  return { storeId: store, station, ...(areMarks(board) ? { board } : {}) }
}

const areMarks = (value: unknown): value is BoardMarks =>
  typeof value === 'object' &&
  value !== null &&
  Object.values(value).every((mark) => typeof mark === 'string' && /^[0-9a-f]{32}$/.test(mark))

/** The CRC of a header is bound to the store that the header itself names, so a whole one speaks for itself. */
function headerOf(bytes: Buffer, name: string): Read {
  const end = bytes.indexOf(newline)
  if (end < 0) return undefined
  const storeId = bytes.toString('utf8', 0, end).split(',')[3]
  if (!isStoreId(storeId) || !passes(bytes, 0, end, seedOf(storeId, name))) return undefined
  return readHeader(textOf(bytes, 0, end), name)
}

/**
 * The identity of a folder that will be written to. An empty folder gets one of `make`; one that had to be taken from a
 * lines file is written down again where the disk lets us. A store of other identity than `expected` is refused.
 */
export async function openIdentity(
  disk: Disk,
  expected: Partial<Identity>,
  make: () => Identity,
  board: Board = [],
): Promise<Outcome<Folder>> {
  const read = await readIdentity(disk)
  if (!read.ok) return read
  if (!read.value) {
    const identity = make()
    const written = await writeIdentity(disk, identity, marksOf(identity.storeId, board))
    return written.ok ? good({ identity, names: [] }) : written
  }
  const { identity, names, fromHeader } = read.value
  for (const key of ['station', 'storeId'] as const)
    if (expected[key] !== undefined && expected[key] !== identity[key])
      return bad('store-foreign', `${disk.name}: ${identityName} says ${identity[key]}, not ${expected[key]}`)
  if (fromHeader) await writeIdentity(disk, identity, marksOf(identity.storeId, board))
  return good({ identity, names })
}

/** Makes the folder's identity so that it survives a power cut: the whole of it or none. */
export async function writeIdentity(
  disk: Disk,
  { storeId, station }: Identity,
  board: BoardMarks = {},
): Promise<Outcome<void>> {
  const marks = Object.keys(board).length > 0 ? { board } : {}
  const text =
    JSON.stringify({ motepost: 'store', format: lineFormat, store: storeId, station, ...marks }) + '\n'
  const removed = await disk.remove(temporary)
  if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
  const written = await writeAll(disk, temporary, Buffer.from(text))
  if (!written.ok) return written
  const renamed = await disk.rename(temporary, identityName)
  return renamed.ok ? disk.syncFolder('') : renamed
}
