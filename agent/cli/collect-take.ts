/** Lines of a copied folder (a stick, a card) into an archive: gaps are filled once, doubles merged, conflicts kept aside. */
import type { AddedLines, StoreOfLines, TakenLines } from '../collector/collector.js'
import type { Outcome } from '../terms/terms.js'
import { asProblem, openStores, type DeskStore, type Opened } from './desk.js'
import { folded, textWidth } from './plain-text.js'

/** Brings lines to the disk of the archive, synced. */
export type Put = (store: StoreOfLines, lines: TakenLines) => Promise<Outcome<AddedLines>>

export interface TakenStore extends StoreOfLines {
  added: number
  doubles: number
  conflicts: number
  /** Not such as this program writes; and rows of the folder that do not pass their check. */
  refused: number
  damaged: number
}

/** As in topics and folders: what a stick says must not lead elsewhere. */
const plainName = /^[a-z0-9][a-z0-9-]{0,31}$/

export async function takeFolder(folder: string, put: Put): Promise<Opened<TakenStore[]>> {
  const stores = await openStores(folder)
  if (!stores.ok) return stores
  const taken: TakenStore[] = []
  for (const store of stores.value) {
    const one = await takeStore(store, put)
    if (!one.ok) return one
    taken.push(one.value)
  }
  return { ok: true, value: taken }
}

async function takeStore(store: DeskStore, put: Put): Promise<Opened<TakenStore>> {
  const { station, storeId, reader } = store
  if (!plainName.test(station))
    return { ok: false, code: 2, words: `${store.folder}: '${station}' is no name of a station` }
  const scanned = await reader.scan(() => undefined)
  if (!scanned.ok) return asProblem(scanned.fault)
  const counts = { added: 0, doubles: 0, conflicts: 0, refused: 0, damaged: scanned.value.damaged }
  const taken: TakenStore = { station, storeId, ...counts }
  const firsts = [...new Set(store.files.map(({ first }) => first))]
  for (const [i, first] of firsts.entries()) {
    const lines = await reader.lines(first, (firsts[i + 1] ?? Infinity) - 1)
    if (!lines.ok) return asProblem(lines.fault)
    const ids = new Set(lines.value.flatMap(({ line }) => (line.kind === 'record' ? line.set : [])))
    const sets = [...ids].flatMap((id) => reader.columnSet(id) ?? [])
    const arrived = lines.value.map(({ line, text }) => ({ seq: line.seq, text }))
    const added = await put({ station, storeId }, { lines: arrived, sets })
    if (!added.ok) return asProblem(added.fault)
    taken.added += added.value.added
    taken.doubles += added.value.doubles
    taken.conflicts += added.value.conflicts.length
    taken.refused += added.value.refused
  }
  return { ok: true, value: taken }
}

export const isClean = (taken: readonly TakenStore[]): boolean =>
  taken.every(({ conflicts, refused, damaged }) => conflicts + refused + damaged === 0)

export function takenText(taken: readonly TakenStore[]): string {
  const lines = taken.flatMap(({ station, storeId, added, doubles, conflicts, refused, damaged }) => [
    `${station}, store ${storeId}: ${added} new lines, ${doubles} that were here already`,
    ...(conflicts > 0
      ? [
          `  ${conflicts} with other content under a number that is taken: kept aside in conflicts.txt. Look for a cloned card or a folder copied back.`,
        ]
      : []),
    ...(damaged + refused > 0
      ? [
          `  ${damaged + refused} rows of the folder do not pass and were left out; motepost verify names them.`,
        ]
      : []),
  ])
  return [
    ...lines,
    'Done: synced. The receipt names the new lines, at the latest with the next pack of the station.',
  ]
    .map((line) => folded(line, textWidth, 2))
    .join('\n')
}

export const takenJson = (taken: readonly TakenStore[]): string =>
  JSON.stringify({
    v: 1,
    stores: taken.map(({ storeId, ...rest }) => ({ store: storeId, ...rest })),
  })
