/** How `collect --take` reaches a collector that runs: a socket in the folder of its archive. */
import { resolve } from 'node:path'
import type { Collector } from '../collector/collector.js'
import { askControl, listenControl } from '../hardware/control-socket.js'
import { openFolder } from '../hardware/disk.js'
import { lockFolder } from '../hardware/lock.js'
import { faultText, type Log } from '../terms/terms.js'
import { archivesIn } from './archives.js'
import { isClean, takeFolder, takenJson, takenText, type Put, type TakenStore } from './collect-take.js'
import { socketIn } from './collector-words.js'
import { asProblem, refuse, say, type Opened } from './desk.js'

export { socketIn } from './collector-words.js'

type Taking = { readonly done: false } | { readonly done: true; readonly result: Opened<TakenStore[]> }

/** Answers `{"do":"take","folder":…}` by beginning, `{"do":"taking"}` by how it stands, `{"do":"status"}` by `status`. */
export async function serveCollector(
  archive: string,
  collector: Collector,
  log: Log,
  status: () => Record<string, unknown>,
  toldAnswer: (request: unknown) => Promise<object | undefined>,
): Promise<{ close(): Promise<void> }> {
  let taking: Taking | undefined
  const put: Put = (store, lines) => collector.take(store, lines)
  const opened = await listenControl({ path: socketIn(archive), mode: 0o600 }, async (request) => {
    const { do: what, folder } = Object(request) as Record<string, unknown>
    if (what === 'status') return { ok: true, ...status() }
    const answer = await toldAnswer(request)
    if (answer) return answer
    if (what === 'taking') return { ok: true, ...(taking ?? { done: false }) }
    if (what !== 'take' || typeof folder !== 'string') return { ok: false, words: 'not understood' }
    if (taking?.done === false) return { ok: false, words: 'another folder is being taken; wait for it' }
    taking = { done: false }
    void takeFolder(folder, put).then((result) => {
      taking = { done: true, result }
      log.info('folder taken', {
        folder,
        ...(result.ok ? { stores: result.value } : { failed: result.words }),
      })
    })
    return { ok: true }
  })
  if (!opened.ok) log.warn(`${faultText(opened.fault)} Folders cannot be taken while the collector runs.`)
  return opened.ok ? opened.value : { close: () => Promise.resolve() }
}

export interface TakeOptions {
  readonly archive: string
  readonly take: string
  readonly json?: boolean
}

/** Takes a folder into an archive, through the collector where one runs. @returns exit code */
export async function take({ archive, take: folder, json }: TakeOptions): Promise<number> {
  const disk = await openFolder(archive, { create: true })
  if (!disk.ok) return refuse(asProblem(disk.fault))
  const locked = await lockFolder(archive)
  const taken = locked.ok ? await takeAlone(archive, folder) : await askCollector(archive, folder)
  if (locked.ok) locked.value.release()
  if (!taken.ok) return refuse(taken)
  await say(json ? takenJson(taken.value) : takenText(taken.value))
  return isClean(taken.value) ? 0 : 1
}

/** Nobody else writes to the archive. Each store is opened once. */
function takeAlone(archive: string, folder: string): Promise<Opened<TakenStore[]>> {
  const open = archivesIn(archive)
  const opened = new Map<string, ReturnType<typeof open>>()
  return takeFolder(folder, async (store, { lines, sets }) => {
    const key = `${store.station}/${store.storeId}`
    const opening = opened.get(key) ?? open({ group: '', ...store })
    opened.set(key, opening)
    const kept = await opening
    if (!kept.ok) return kept
    const added = await kept.value.add(lines, sets)
    const synced = added.ok ? await kept.value.sync() : added
    return synced.ok ? added : synced
  })
}

const pollMillis = 300

async function askCollector(archive: string, folder: string): Promise<Opened<TakenStore[]>> {
  const asked = await askControl(socketIn(archive), { do: 'take', folder: resolve(folder) })
  if (!asked.ok)
    return {
      ok: false,
      code: 1,
      words: `a collector holds ${archive} and cannot be asked; stop it, take the folder, start it again`,
    }
  const { ok, words } = asked.value as { ok: boolean; words?: string }
  if (!ok) return { ok: false, code: 1, words: words ?? 'the collector refuses' }
  for (;;) {
    await new Promise((wake) => setTimeout(wake, pollMillis))
    const told = await askControl(socketIn(archive), { do: 'taking' })
    if (!told.ok)
      return {
        ok: false,
        code: 1,
        words: `the collector ended meanwhile; take the folder again, nothing is taken twice`,
      }
    const taking = told.value as Taking
    if (taking.done) return taking.result
  }
}
