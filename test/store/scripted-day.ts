import { stateFileOn } from '../../agent/hardware/state-file.js'
import type { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openStore, type Store } from '../../agent/store/store.js'
import {
  canonicalLine,
  type AnchorLine,
  type Line,
  type MonoSeconds,
  type UtcMillis,
} from '../../agent/terms/terms.js'
import { boot, note, record, set, storeId } from './support.js'
import { testKey } from './test-key.js'

export const key = testKey()
export const linesPerFile = 10
export const openOptions = { station: 'hill', newStoreId: () => storeId, linesPerFile, maxBufferedLines: 30 }

/** What the station was told while it lived: the measure of what a power cut may take. */
export class Journal {
  /** Text of what was appended, by number; what one run lost another may append anew. */
  readonly appended = new Map<number, Set<string>>()
  /** What was safe at some moment, by number. */
  readonly safe = new Map<number, string>()
  /** Checkpoints: the last that was saved, and the last that was begun. */
  saved = 0
  begun = 0

  /** Appended by this run, and not safe yet. */
  private readonly waiting = new Map<number, string>()

  /** What the run before had not brought to safety may be gone. */
  start(): void {
    this.waiting.clear()
  }

  wrote(seq: number, text: string): void {
    this.waiting.set(seq, text)
    const texts = this.appended.get(seq)
    if (texts) texts.add(text)
    else this.appended.set(seq, new Set([text]))
  }

  /** A copy that a second life goes on with. */
  copy(): Journal {
    const copy = new Journal()
    for (const [seq, texts] of this.appended) copy.appended.set(seq, new Set(texts))
    for (const [seq, text] of this.safe) copy.safe.set(seq, text)
    return Object.assign(copy, { saved: this.saved, begun: this.begun })
  }

  settle(store: Store): void {
    for (const [seq, text] of this.waiting) {
      if (seq > store.safeSeq) continue
      this.safe.set(seq, text)
      this.waiting.delete(seq)
    }
  }
}

const anchor = (seq: number): AnchorLine => ({
  kind: 'anchor',
  seq,
  boot,
  mono: (seq * 60) as MonoSeconds,
  utc: (Date.UTC(2026, 2, 1) + seq * 60_000 + 250) as UtcMillis,
  source: 'ntp',
  errorSeconds: 0.05,
})

/**
 * What a station does in `hours` of ten-minute steps, until the disk answers no more: records, time checks, site log,
 * flushes, files that roll, a checkpoint and a seal each hour, a signed seal at the end, room made when it is short of it.
 */
export async function scriptedDay(disk: MemoryDisk, journal: Journal, hours: number): Promise<void> {
  journal.start()
  const opened = await openStore({ disk, ...openOptions })
  if (!opened.ok) return
  const store = opened.value
  const state = stateFileOn(disk, 'state.json')
  const append = (make: (seq: number) => Line, withSet = false): void => {
    store.append(
      (seq) => {
        const line = make(seq)
        journal.wrote(seq, canonicalLine(line, set))
        return line
      },
      withSet ? set : undefined,
    )
  }
  const flush = async (): Promise<void> => {
    if ((await store.flush()).ok) journal.settle(store)
  }
  for (let hour = 1; hour <= hours; hour++) {
    append(anchor)
    for (let step = 0; step < 2; step++) {
      for (let minute = 0; minute < 3; minute++) append(record, true)
      await flush()
    }
    append((seq) => note(seq, `visit ${hour}: inlet cleaned, "wet"; 100 %`))
    await flush()
    journal.begun++
    if ((await state.save({ n: journal.begun })).ok) journal.saved = journal.begun
    await store.seal(hour % 2 === 0 ? key : undefined)
    await makeRoom(disk, store)
  }
}

/** From the fourth file on the disk counts as more than 90 % full, with room for the line about the oldest, which goes. */
async function makeRoom(disk: MemoryDisk, store: Store): Promise<void> {
  if (disk.paths.filter((path) => path.startsWith('lines-')).length < 4) return
  const used = disk.paths.reduce((sum, path) => sum + disk.text(path).length, 0)
  disk.capacityBytes = used + 550
  await store.makeRoom({ received: () => true, key })
  disk.capacityBytes = Infinity
}
