/**
 * A disk in memory that knows what a power cut would leave of it: contents count as safe when their file was synced, names
 * when their folder was. It can be full, read-only or failing, and passes the same contract tests as the real one.
 */
import { bad, done, good, type Disk, type FaultCode, type Outcome } from '../terms/terms.js'

/** What a power cut leaves of what was not synced. */
export type Cut =
  /** Nothing: the strictest disk. */
  | { readonly unsynced: 'lost' }
  /** Everything, as when only the process was killed. */
  | { readonly unsynced: 'kept' }
  /** The first bytes of what each file got since its sync; zeros or nothing in place of the rest. */
  | { readonly unsynced: 'torn'; readonly keptBytes: number; readonly rest: 'missing' | 'zeros' }

class MemoryFile {
  private bytes = new Uint8Array(0)
  length = 0
  /** Bytes from the start that are on the medium as they stand; more may be, see `synced`. */
  private syncedLength = 0
  /** The medium's content where it is no longer the beginning of the present one (after a truncate). */
  private syncedBefore: Uint8Array | undefined

  static of(bytes: Uint8Array): MemoryFile {
    const file = new MemoryFile()
    file.append(bytes)
    file.sync()
    return file
  }

  content(): Uint8Array {
    return this.bytes.slice(0, this.length)
  }

  read(from: number, length: number): Uint8Array {
    return this.bytes.slice(from, Math.max(from, Math.min(this.length, from + length)))
  }

  append(more: Uint8Array): void {
    const needed = this.length + more.length
    if (needed > this.bytes.length) {
      const grown = new Uint8Array(Math.max(needed, 2 * this.bytes.length))
      grown.set(this.bytes.subarray(0, this.length))
      this.bytes = grown
    }
    this.bytes.set(more, this.length)
    this.length = needed
  }

  truncate(length: number): void {
    if (length < this.syncedLength) this.syncedBefore ??= this.bytes.slice(0, this.syncedLength)
    this.syncedLength = Math.min(this.syncedLength, length)
    this.length = length
  }

  sync(): void {
    this.syncedLength = this.length
    this.syncedBefore = undefined
  }

  after(cut: Cut): Uint8Array {
    if (cut.unsynced === 'kept') return this.content()
    if (cut.unsynced === 'lost') return this.syncedBefore ?? this.bytes.slice(0, this.syncedLength)
    const kept = Math.min(this.length, this.syncedLength + cut.keptBytes)
    const left = this.bytes.slice(0, cut.rest === 'zeros' ? this.length : kept)
    return left.fill(0, kept)
  }
}

type Operation = 'append' | 'datasync' | 'rename' | 'truncate' | 'remove' | 'makeFolder' | 'syncFolder'

export class MemoryDisk implements Disk {
  /** Room for all files together. */
  capacityBytes = Infinity
  readOnly = false
  /** Operations that change the disk, so far. */
  operations = 0
  /** Called before each of them; a fault it gives is the answer, and nothing is done. */
  beforeOperation: (operation: Operation, path: string) => FaultCode | undefined = () => undefined
  /** The power goes off when so many operations were done; what the last one wrote is not synced. */
  powerFailsAfter = Infinity
  private now = new Map<string, MemoryFile>()
  private readonly onMedium = new Map<string, MemoryFile>()
  private folders = new Set<string>()

  constructor(readonly name = 'memory') {}

  /** The disk as it is found after the power came back; this one answers nothing any more. */
  cut(cut: Cut): MemoryDisk {
    this.powerFailsAfter = -1
    const after = new MemoryDisk(this.name)
    after.capacityBytes = this.capacityBytes
    after.folders = new Set(this.folders)
    for (const [path, file] of cut.unsynced === 'lost' ? this.onMedium : this.now) {
      const left = MemoryFile.of(file.after(cut))
      after.now.set(path, left)
      after.onMedium.set(path, left)
    }
    return after
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
    if (this.now.has(folder)) return bad('disk-not-folder', this.place(folder))
    const prefix = folder === '' ? '' : `${folder}/`
    const names = [...this.now.keys(), ...this.folders]
      .filter((path) => path.startsWith(prefix) && path !== folder)
      .map((path) => path.slice(prefix.length).split('/')[0])
    return good([...new Set(names)])
  }

  async size(path: string): Promise<Outcome<number>> {
    return this.withFile(path, (file) => good(file.length))
  }

  async read(path: string, from: number, length: number): Promise<Outcome<Uint8Array>> {
    return this.withFile(path, (file) => good(file.read(from, length)))
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
      const file = this.now.get(path) ?? new MemoryFile()
      this.now.set(path, file)
      file.append(bytes.subarray(0, room))
      return good(Math.min(room, bytes.length))
    })
  }

  async datasync(path: string): Promise<Outcome<void>> {
    return this.change('datasync', path, () =>
      this.withFile(path, (file) => {
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
        return done
      }),
    )
  }

  async syncFolder(folder: string): Promise<Outcome<void>> {
    return this.change('syncFolder', folder, () => {
      for (const path of [...this.onMedium.keys()]) if (parentOf(path) === folder) this.onMedium.delete(path)
      for (const [path, file] of this.now) if (parentOf(path) === folder) this.onMedium.set(path, file)
      return done
    })
  }

  async freeBytes(): Promise<Outcome<number>> {
    return this.isOff ? this.off : good(Math.max(0, this.capacityBytes - this.usedBytes))
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

  private withFile<T>(path: string, act: (file: MemoryFile) => Outcome<T>): Outcome<T> {
    if (escapes(path)) return bad('disk-denied', this.place(path))
    if (this.isOff) return this.off
    const file = this.now.get(path)
    return file ? act(file) : bad('disk-missing', this.place(path))
  }

  private change<T>(operation: Operation, path: string, act: () => Outcome<T>): Outcome<T> {
    if (this.isOff) return this.off
    if (escapes(path)) return bad('disk-denied', this.place(path))
    if (this.readOnly) return bad('disk-read-only', this.place(path))
    const fault = this.beforeOperation(operation, path)
    if (fault) return bad(fault, this.place(path))
    const answer = act()
    this.operations++
    return this.isOff ? this.off : answer
  }
}

const parentOf = (path: string): string => path.slice(0, Math.max(0, path.lastIndexOf('/')))

const escapes = (path: string): boolean => path.startsWith('/') || path.split('/').includes('..')
