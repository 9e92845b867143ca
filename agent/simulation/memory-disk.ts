/**
 * A disk in memory that knows what a power cut would leave of it: contents count as safe when their file was synced, names
 * when their folder was. It can be full, read-only, slow or failing, and passes the same contract tests as the real one.
 */
import { createHash } from 'node:crypto'
import { bad, done, good, type Disk, type FaultCode, type Outcome } from '../terms/terms.js'
import { MemoryFile, sectorBytes } from './memory-file.js'

/** What a power cut leaves of what was not synced. */
export type Cut =
  /** Nothing: the strictest disk. */
  | { readonly unsynced: 'lost' }
  /** Everything, as when only the process was killed. */
  | { readonly unsynced: 'kept' }
  /** The first bytes of what each file got since its sync; zeros or nothing in place of the rest. */
  | { readonly unsynced: 'torn'; readonly keptBytes: number; readonly rest: 'missing' | 'zeros' }
  /**
   * Sector by sector and name by name, as told, so in any order: `sectors` is asked for each unsynced sector, `names` for
   * each name made, changed or removed since its folder was synced, in the order in which that was done.
   */
  | {
      readonly unsynced: 'mixed'
      readonly sectors: (path: string, sector: number) => boolean
      readonly size: 'none' | 'kept' | 'all'
      readonly names: (path: string, index: number) => boolean
    }

type Operation = 'append' | 'datasync' | 'rename' | 'truncate' | 'remove' | 'makeFolder' | 'syncFolder'
type Look = 'list' | 'size' | 'read'

/** A name made, changed or removed since its folder was synced. */
interface NameChange {
  readonly path: string
  /** A rename's new name. */
  readonly to?: string
  /** What stands behind the name now; absent: it was removed. */
  readonly file?: MemoryFile
}

export class MemoryDisk implements Disk {
  /** Room for all files together. */
  capacityBytes = Infinity
  readOnly = false
  /** Operations that change the disk, so far. */
  operations = 0
  /** Called before each of them; a fault it gives is the answer, and nothing is done. */
  beforeOperation: (operation: Operation, path: string) => FaultCode | undefined = () => undefined
  /** Called before anything is looked at; a fault it gives is the answer. */
  beforeLook: (operation: Look, path: string) => FaultCode | undefined = () => undefined
  /** Called before each operation that changes the disk; it goes on when the promise resolves (a card that is slow). */
  delay: (operation: Operation, path: string) => Promise<void> | undefined = () => undefined
  /** Files that were written or synced again after a sync of them had failed, which nobody should do. */
  readonly usedAfterFailedSync = new Set<string>()
  /** The power goes off when so many operations were done; what the last one wrote is not synced. */
  powerFailsAfter = Infinity
  private now = new Map<string, MemoryFile>()
  private readonly onMedium = new Map<string, MemoryFile>()
  private nameChanges: NameChange[] = []
  private folders = new Set<string>()

  constructor(readonly name = 'memory') {}

  /** The disk as it is found after the power came back; this one answers nothing any more. */
  cut(cut: Cut): MemoryDisk {
    this.powerFailsAfter = -1
    const after = new MemoryDisk(this.name)
    after.capacityBytes = this.capacityBytes
    after.folders = new Set(this.folders)
    for (const [path, file] of this.namesAfter(cut)) after.put(path, contentAfter(file, cut, path))
    return after
  }

  /** How much stands unsynced: what there is to lose at a cut. */
  unsynced(): { readonly bytes: number; readonly sectors: number; readonly names: number } {
    const files = [...this.now.values()]
    return {
      bytes: Math.max(0, ...files.map((file) => file.unsyncedBytes)),
      sectors: files.reduce((sum, file) => sum + file.unsyncedSectors.length, 0),
      names: this.nameChanges.length,
    }
  }

  /** SHA-256 over names and contents as they stand. */
  image(): string {
    const hash = createHash('sha256')
    for (const path of [...this.now.keys()].sort()) {
      const content = this.now.get(path)!.content()
      hash.update(`${path}\0${content.length}\0`).update(content)
    }
    return hash.digest('hex')
  }

  /** Spoils a sector of a file that was safe, as a card may that loses power while it moves its neighbours. */
  spoil(path: string, sector: number, fill = 0): void {
    const content = this.now.get(path)?.content() ?? new Uint8Array(0)
    this.put(path, content.fill(fill, sector * sectorBytes, (sector + 1) * sectorBytes))
  }

  /** Names of the files. */
  get paths(): string[] {
    return [...this.now.keys()]
  }

  /** The content of a file, for tests and for people. */
  text(path: string): string {
    return Buffer.from(this.now.get(path)?.content() ?? []).toString()
  }

  /** Puts a file there as if it had always been. */
  put(path: string, content: string | Uint8Array): void {
    const file = MemoryFile.of(Buffer.from(content))
    this.now.set(path, file)
    this.onMedium.set(path, file)
  }

  async list(folder: string): Promise<Outcome<string[]>> {
    if (this.isOff) return this.off
    if (escapes(folder)) return bad('disk-denied', this.place(folder))
    const fault = this.beforeLook('list', folder)
    if (fault) return bad(fault, this.place(folder))
    if (this.now.has(folder)) return bad('disk-not-folder', this.place(folder))
    const prefix = folder === '' ? '' : `${folder}/`
    const names = [...this.now.keys(), ...this.folders]
      .filter((path) => path.startsWith(prefix) && path !== folder)
      .map((path) => path.slice(prefix.length).split('/')[0])
    return good([...new Set(names)])
  }

  async size(path: string): Promise<Outcome<number>> {
    return this.look('size', path, (file) => good(file.length))
  }

  async read(path: string, from: number, length: number): Promise<Outcome<Uint8Array>> {
    return this.look('read', path, (file) => good(file.read(from, length)))
  }

  async makeFolder(folder: string): Promise<Outcome<void>> {
    return this.change('makeFolder', folder, () => {
      if (this.now.has(folder)) return bad('disk-not-folder', this.place(folder))
      this.folders.add(folder)
      return done
    })
  }

  async append(path: string, bytes: Uint8Array): Promise<Outcome<number>> {
    return this.change('append', path, () => {
      const parent = parentOf(path)
      if (parent !== '' && !this.folders.has(parent)) return bad('disk-missing', this.place(path))
      const room = Math.max(0, this.capacityBytes - this.usedBytes)
      if (room === 0 && bytes.length > 0) return bad('disk-full', this.place(path))
      const file = this.now.get(path) ?? this.made(path)
      if (file.syncFailed) this.usedAfterFailedSync.add(path)
      file.append(bytes.subarray(0, room))
      return good(Math.min(room, bytes.length))
    })
  }

  async datasync(path: string): Promise<Outcome<void>> {
    return this.change('datasync', path, () =>
      this.withFile(path, (file) => {
        if (file.syncFailed) this.usedAfterFailedSync.add(path)
        file.sync()
        return done
      }),
    )
  }

  async rename(from: string, to: string): Promise<Outcome<void>> {
    return this.change('rename', from, () =>
      this.withFile(from, (file) => {
        if (escapes(to)) return bad('disk-denied', this.place(to))
        this.now.delete(from)
        this.now.set(to, file)
        this.nameChanges.push({ path: from, to, file })
        return done
      }),
    )
  }

  async truncate(path: string, length: number): Promise<Outcome<void>> {
    return this.change('truncate', path, () =>
      this.withFile(path, (file) => {
        file.truncate(length)
        return done
      }),
    )
  }

  async remove(path: string): Promise<Outcome<void>> {
    return this.change('remove', path, () =>
      this.withFile(path, () => {
        this.now.delete(path)
        this.nameChanges.push({ path })
        return done
      }),
    )
  }

  async syncFolder(folder: string): Promise<Outcome<void>> {
    return this.change('syncFolder', folder, () => {
      for (const path of [...this.onMedium.keys()]) if (parentOf(path) === folder) this.onMedium.delete(path)
      for (const [path, file] of this.now) if (parentOf(path) === folder) this.onMedium.set(path, file)
      this.nameChanges = this.nameChanges.filter(({ path }) => parentOf(path) !== folder)
      return done
    })
  }

  async freeBytes(): Promise<Outcome<number>> {
    return this.isOff ? this.off : good(Math.max(0, this.capacityBytes - this.usedBytes))
  }

  async totalBytes(): Promise<Outcome<number>> {
    return this.isOff ? this.off : good(this.capacityBytes)
  }

  private get usedBytes(): number {
    let used = 0
    for (const file of this.now.values()) used += file.length
    return used
  }

  private get isOff(): boolean {
    return this.operations >= this.powerFailsAfter
  }

  private get off() {
    return bad('disk-error', `${this.name}: the power is off`)
  }

  private place(path: string): string {
    return `${this.name}/${path}`
  }

  private made(path: string): MemoryFile {
    const file = new MemoryFile()
    this.now.set(path, file)
    this.nameChanges.push({ path, file })
    return file
  }

  private namesAfter(cut: Cut): Map<string, MemoryFile> {
    if (cut.unsynced === 'lost') return this.onMedium
    if (cut.unsynced !== 'mixed') return this.now
    const names = new Map(this.onMedium)
    for (const [index, { path, to, file }] of this.nameChanges.entries()) {
      if (!cut.names(to ?? path, index)) continue
      if (!file || to !== undefined) names.delete(path)
      if (file) names.set(to ?? path, file)
    }
    return names
  }

  private look<T>(operation: Look, path: string, act: (file: MemoryFile) => Outcome<T>): Outcome<T> {
    return this.withFile(path, (file) => {
      const fault = this.beforeLook(operation, path)
      return fault ? bad(fault, this.place(path)) : act(file)
    })
  }

  private withFile<T>(path: string, act: (file: MemoryFile) => Outcome<T>): Outcome<T> {
    if (escapes(path)) return bad('disk-denied', this.place(path))
    if (this.isOff) return this.off
    const file = this.now.get(path)
    return file ? act(file) : bad('disk-missing', this.place(path))
  }

  private async change<T>(operation: Operation, path: string, act: () => Outcome<T>): Promise<Outcome<T>> {
    const delay = this.delay(operation, path)
    if (delay) await delay
    if (this.isOff) return this.off
    if (escapes(path)) return bad('disk-denied', this.place(path))
    if (this.readOnly) return bad('disk-read-only', this.place(path))
    const fault = this.beforeOperation(operation, path)
    if (fault === 'disk-error' && operation === 'datasync') this.now.get(path)?.failSync()
    if (fault) return bad(fault, this.place(path))
    const answer = act()
    this.operations++
    return this.isOff ? this.off : answer
  }
}

function contentAfter(file: MemoryFile, cut: Cut, path: string): Uint8Array {
  switch (cut.unsynced) {
    case 'lost':
      return file.medium()
    case 'kept':
      return file.content()
    case 'torn':
      return file.torn(cut.keptBytes, cut.rest)
    case 'mixed':
      return file.sectorsLeft({ keeps: (sector) => cut.sectors(path, sector), size: cut.size })
  }
}

const parentOf = (path: string): string => path.slice(0, Math.max(0, path.lastIndexOf('/')))

const escapes = (path: string): boolean => path.startsWith('/') || path.split('/').includes('..')
