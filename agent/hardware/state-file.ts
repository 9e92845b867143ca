import { crc32 } from 'node:zlib'
import { basename, dirname } from 'node:path'
import { Low, type Adapter } from 'lowdb'
import { bad, done, good, type Disk, type Fault, type Outcome, type StateFile } from '../terms/terms.js'
import { FolderDisk } from './disk.js'

/** Number of the form around the value; agent/store/FORMAT.md describes it. */
const stateFormat = 1
/** A small state: more is not a state of ours. */
const mostBytes = 1024 * 1024

interface Kept {
  motepost: 'state'
  format: number
  check: string
  value: unknown
}

const nothing: Kept = { motepost: 'state', format: stateFormat, check: '', value: undefined }

/** The state file at a path of the real disk. */
export const stateFile = (path: string): StateFile =>
  stateFileOn(new FolderDisk(dirname(path)), basename(path))

/**
 * A small JSON value behind lowdb, written so that a power cut leaves the new one or the one before: temporary file, sync,
 * rename, folder sync; saves run one after the other. `load` gives undefined where nothing was saved yet, the previous copy
 * where the newest is damaged, and the fault state-damaged where both are. Other faults: disk-*.
 */
export function stateFileOn(disk: Disk, name: string): StateFile {
  const adapter = new StateAdapter(disk, name)
  const low = new Low<Kept>(adapter, nothing)
  let running: Promise<unknown> = Promise.resolve()
  const inTurn = <T>(work: () => Promise<Outcome<T>>): Promise<Outcome<T>> => {
    const turn = running.then(work, work).catch(asFault)
    running = turn
    return turn
  }
  return {
    load: () =>
      inTurn(async () => {
        low.data = nothing
        await low.read()
        return good(low.data.value)
      }),
    save: (value) => {
      const kept = keptOf(value)
      return inTurn(async () => {
        low.data = kept
        await low.write()
        return done
      })
    },
  }
}

/** The value as it is now: it may change while it waits for its turn. */
function keptOf(value: unknown): Kept {
  const text = JSON.stringify(value) ?? 'null'
  return { motepost: 'state', format: stateFormat, check: checkOf(text), value: JSON.parse(text) as unknown }
}

const checkOf = (text: string): string => 'k' + crc32(text).toString(16).padStart(8, '0')

/** lowdb's adapters tell their failures by throwing; `inTurn` turns them into values again. */
class StateFault extends Error {
  constructor(readonly fault: Fault) {
    super(fault.detail)
  }
}

function asFault(error: unknown): { ok: false; fault: Fault } {
  if (error instanceof StateFault) return { ok: false, fault: error.fault }
  throw error
}

function valueOf<T>(outcome: Outcome<T>): T {
  if (outcome.ok) return outcome.value
  throw new StateFault(outcome.fault)
}

class StateAdapter implements Adapter<Kept> {
  private readonly previous: string
  private readonly temporary: string
  /** The newest copy is whole and may become the previous one; undefined until somebody looked. */
  private newestIsWhole: boolean | undefined

  constructor(
    private readonly disk: Disk,
    private readonly name: string,
  ) {
    this.previous = `${name}.previous`
    this.temporary = `${name}.tmp`
  }

  async read(): Promise<Kept | null> {
    const newest = await this.readCopy(this.name)
    this.newestIsWhole = typeof newest === 'object'
    if (typeof newest === 'object') return newest
    const previous = await this.readCopy(this.previous)
    if (typeof previous === 'object') return previous
    if (newest === 'missing' && previous === 'missing') return null
    throw new StateFault({ code: 'state-damaged', detail: `${this.disk.name}/${this.name}` })
  }

  async write(kept: Kept): Promise<void> {
    const bytes = Buffer.from(JSON.stringify(kept) + '\n')
    if (bytes.length > mostBytes) throw new Error(`a state of ${bytes.length} bytes`)
    const removed = await this.disk.remove(this.temporary)
    if (!removed.ok && removed.fault.code !== 'disk-missing') throw new StateFault(removed.fault)
    const written = valueOf(await this.disk.append(this.temporary, bytes))
    if (written < bytes.length) valueOf(bad('disk-full', `${this.disk.name}/${this.temporary}`))
    valueOf(await this.disk.datasync(this.temporary))
    this.newestIsWhole ??= typeof (await this.readCopy(this.name)) === 'object'
    if (this.newestIsWhole) valueOf(await this.disk.rename(this.name, this.previous))
    this.newestIsWhole = false
    valueOf(await this.disk.rename(this.temporary, this.name))
    this.newestIsWhole = true
    valueOf(await this.disk.syncFolder(''))
  }

  private async readCopy(name: string): Promise<Kept | 'missing' | 'damaged'> {
    const read = await this.disk.read(name, 0, mostBytes)
    if (read.ok) return parseCopy(Buffer.from(read.value).toString())
    if (read.fault.code === 'disk-missing') return 'missing'
    throw new StateFault(read.fault)
  }
}

function parseCopy(text: string): Kept | 'damaged' {
  let kept: unknown
  try {
    kept = JSON.parse(text)
  } catch {
    return 'damaged'
  }
  const { motepost, format, check, value } = Object(kept) as Partial<Kept>
  if (motepost !== 'state' || format !== stateFormat || value === undefined) return 'damaged'
  return check === checkOf(JSON.stringify(value)) ? (kept as Kept) : 'damaged'
}
