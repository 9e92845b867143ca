import { DeskDisk } from '../hardware/disk.js'
import { keyFingerprint, keyLinesOf, readStoreFolder, type NamedKey } from '../store/store.js'
import { utcText } from '../terms/terms.js'

/** A key that does not sign now, by the rows that tell of it. Whether they are to be believed says `verify`. */
export interface OtherKey {
  readonly fingerprint: string
  /** 'earlier': another one came after it; 'named': one handed over to it, and it is not in place. */
  readonly is: 'earlier' | 'named'
  /** Number of the row that says so, and when that was. */
  readonly row: number
  readonly at?: string
}

/** Keys other than the present one that rows of a data folder tell of, oldest first; none where no store can be read there. */
export async function otherKeys(folder: string, present: string | undefined): Promise<OtherKey[]> {
  const opened = await readStoreFolder(new DeskDisk(folder))
  const lines = opened.ok ? await keyLinesOf(opened.value.reader) : opened
  const told = new Map<string, OtherKey>()
  for (const named of lines.ok ? lines.value : []) {
    const { before, next } = named.said
    told.delete(before ?? '')
    if (before !== undefined) told.set(before, otherKey(before, 'earlier', named))
    told.set(next, otherKey(next, 'named', named))
  }
  told.delete(present ?? '')
  return [...told.values()]
}

function otherKey(publicKey: string, is: OtherKey['is'], { line }: NamedKey): OtherKey {
  const at = line.utc === undefined ? {} : { at: utcText(line.utc) }
  return { fingerprint: keyFingerprint(publicKey), is, row: line.seq, ...at }
}
