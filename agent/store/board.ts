/**
 * To which board a store belongs. A card that is cloned and put into another board must not go on under the same store id:
 * two stations would give the same numbers to different lines. So `store.json` keeps what told the board, hashed, and a
 * board that is told otherwise gets a store of its own; the earlier one moves into a folder below, readable as before.
 */
import { bad, done, good, type Disk, type Outcome } from '../terms/terms.js'
import { marksOf, type Board, type BoardMarks } from './board-marks.js'
import { readIdentity, writeIdentity } from './identity.js'
import { damagedName, earlierFolder, identityName, linesFiles } from './names.js'
import type { Identity } from './stored-line.js'

export type Claim =
  /** An empty folder; the store that is made in it will keep the board. */
  | { readonly kind: 'new' }
  | { readonly kind: 'same' }
  /** Nothing that both know tells the board: the store stays as it is, and a cloned card would not be noticed. */
  | { readonly kind: 'unknown' }
  /** Another board: what lay here has moved, and the folder is empty. */
  | { readonly kind: 'other'; readonly source: string; readonly earlier: Identity; readonly folder: string }

/**
 * Sees to it that a folder that will be written to belongs to this board, before anything in it is opened. The surest sign that
 * both have decides. Faults: store-foreign, disk-* (what was moved so far is moved on by the next start).
 */
export async function claimFolder(disk: Disk, board: Board): Promise<Outcome<Claim>> {
  const read = await readIdentity(disk)
  if (!read.ok) return read
  if (!read.value) return good({ kind: 'new' })
  const { identity, board: marks = {} } = read.value
  const told = tellingSign(identity, marks, board)
  if (told) return told.isSame ? good({ kind: 'same' }) : setApart(disk, identity, told.source)
  if (board.length === 0 || Object.keys(marks).length > 0) return good({ kind: 'unknown' })
  // Made by a release that did not ask: this board is taken to be its own. A disk that does not take it is asked again.
  await writeIdentity(disk, identity, marksOf(identity.storeId, board))
  return good({ kind: 'same' })
}

/** Only looks: the sign that tells the folder's store to be of another board. Faults: store-foreign, disk-*. */
export async function signOfAnotherBoard(disk: Disk, board: Board): Promise<Outcome<string | undefined>> {
  const read = await readIdentity(disk)
  if (!read.ok) return read
  const told = read.value && tellingSign(read.value.identity, read.value.board ?? {}, board)
  return good(told && !told.isSame ? told.source : undefined)
}

function tellingSign({ storeId }: Identity, marks: BoardMarks, board: Board) {
  const source = board.find((sign) => marks[sign.source] !== undefined)?.source
  return source && { source, isSame: marksOf(storeId, board)[source] === marks[source] }
}

const alsoMoves = [damagedName, 'state.json', 'state.json.previous', '.station-key', '.station-key.next']

/** Identity last: a power cut before leaves a store that is found to be of another board again, and moving goes on. */
async function setApart(disk: Disk, identity: Identity, source: string): Promise<Outcome<Claim>> {
  const folder = `${earlierFolder}/${identity.storeId}`
  for (const [path, parent] of [
    [earlierFolder, ''],
    [folder, earlierFolder],
  ]) {
    const made = await disk.makeFolder(path)
    const synced = made.ok ? await disk.syncFolder(parent) : made
    if (!synced.ok) return synced
  }
  const listed = await disk.list('')
  if (!listed.ok) return listed
  const names = [...linesFiles(listed.value).map(({ name }) => name), ...alsoMoves]
  const moved = await move(
    disk,
    folder,
    names.filter((name) => listed.value.includes(name)),
  )
  if (!moved.ok) return moved
  if (!listed.value.includes(identityName)) {
    const written = await writeIdentity(disk, identity)
    if (!written.ok) return written
  }
  const last = await move(disk, folder, [identityName])
  return last.ok ? good({ kind: 'other', source, earlier: identity, folder }) : last
}

async function move(disk: Disk, folder: string, names: readonly string[]): Promise<Outcome<void>> {
  for (const name of names) {
    const free = await isFree(disk, name, `${folder}/${name}`)
    if (!free.ok) return free
    const renamed = await disk.rename(name, `${folder}/${name}`)
    if (!renamed.ok) return renamed
  }
  for (const one of [folder, '']) {
    const synced = await disk.syncFolder(one)
    if (!synced.ok) return synced
  }
  return done
}

/** A power cut in mid-rename may have left both names of one file; anything else is not written over. */
async function isFree(disk: Disk, from: string, to: string): Promise<Outcome<void>> {
  const size = await disk.size(to)
  if (!size.ok) return size.fault.code === 'disk-missing' ? done : size
  const [there, here] = [await disk.read(to, 0, size.value), await disk.read(from, 0, size.value)]
  if (!there.ok) return there
  if (!here.ok) return here
  return Buffer.compare(there.value, here.value) === 0
    ? done
    : bad('store-foreign', `${disk.name}/${to} is there already, and is another file`)
}
