import { openStores, refuse, say, whereToLook, type DeskOptions, type DeskStore } from './desk.js'
import { checkStore, type StoreCheck } from './verify-store.js'
import { checkText, whatItProves } from './verify-words.js'

/**
 * Looks at every line of every store in a folder. Writes nothing.
 * @returns exit code: 0 nothing found, 1 something found, 2 wrong use
 */
export async function verify(options: DeskOptions): Promise<number> {
  const where = await whereToLook(options)
  if (!where.ok) return refuse(where)
  const stores = await openStores(where.value.folder, options.storeId)
  if (!stores.ok) return refuse(stores)
  const checks: { store: DeskStore; check: StoreCheck }[] = []
  for (const store of stores.value) checks.push({ store, check: await checkStore(store) })
  if (options.json) await say(JSON.stringify({ v: 1, stores: checks.map(asJson), proves: whatItProves }))
  else
    await say(
      [...checks.flatMap(({ store, check }) => [...checkText(store, check), '']), whatItProves].join('\n'),
    )
  return checks.every(({ check }) => check.findingCount === 0) ? 0 : 1
}

const asJson = ({ store, check }: { store: DeskStore; check: StoreCheck }): unknown => ({
  store: store.storeId,
  station: store.station,
  folder: store.folder,
  archive: store.isArchive,
  lines: check.lines,
  by_kind: check.byKind,
  first_seq: check.first,
  last_seq: check.last,
  findings: check.findings,
  findings_count: check.findingCount,
  notes: check.notes,
})
