import {
  closeSync,
  constants,
  existsSync,
  fdatasync,
  openSync,
  readSync,
  statfsSync,
  statSync,
  writeSync,
} from 'node:fs'
import {
  access,
  mkdir,
  open,
  readdir,
  rename,
  rm,
  stat,
  statfs,
  truncate,
  type FileHandle,
} from 'node:fs/promises'
import { dirname, join } from 'node:path'
import { promisify } from 'node:util'
import { bad, done, good, type Disk, type FaultCode, type Outcome } from '../terms/terms.js'
import { isMounted } from './mounted.js'

const faultOf: Readonly<Record<string, FaultCode>> = {
  ENOSPC: 'disk-full',
  EDQUOT: 'disk-full',
  EROFS: 'disk-read-only',
  EACCES: 'disk-denied',
  EPERM: 'disk-denied',
  ENOENT: 'disk-missing',
  ENOTDIR: 'disk-not-folder',
}

/**
 * Opens a folder of the real disk. Faults: disk-missing, disk-not-folder, disk-denied, disk-read-only, disk-not-mounted.
 * @param options create: the folder is made with its parents if need be, and must be writable; mustBeMounted: nothing is made
 * where it would lie on the root file system
 */
export async function openFolder(
  path: string,
  options: { create: boolean; mustBeMounted?: boolean },
): Promise<Outcome<FolderDisk>> {
  const mounted = options.mustBeMounted ? await isMounted(path) : done
  if (!mounted.ok) return mounted
  try {
    const found = await stat(path).catch((error: NodeJS.ErrnoException) => {
      if (!options.create || error.code !== 'ENOENT') throw error
    })
    if (found && !found.isDirectory()) return bad('disk-not-folder', path)
    if (!found) await makeWithParents(path)
    const { R_OK, W_OK, X_OK } = constants
    await access(path, R_OK | X_OK | (options.create ? W_OK : 0))
    return good(new FolderDisk(path))
  } catch (error) {
    return failed(error, path)
  }
}

/** Node's own recursive mkdir never returns where the kernel makes no folders, as in /proc (20.20). */
async function makeWithParents(path: string): Promise<void> {
  try {
    await mkdir(path)
  } catch (error) {
    const parent = dirname(path)
    if ((error as NodeJS.ErrnoException).code !== 'ENOENT' || parent === path || existsSync(parent))
      throw error
    await makeWithParents(parent)
    await mkdir(path)
  }
}

function failed(error: unknown, path: string): { ok: false; fault: { code: FaultCode; detail: string } } {
  const { code } = error as NodeJS.ErrnoException
  if (code === undefined) throw error
  const fault = faultOf[code] ?? 'disk-error'
  return bad(fault, fault === 'disk-error' ? `${path} (${code})` : path)
}

/** One folder of the real disk as a port. */
export class FolderDisk implements Disk {
  /** From its append to its sync a file stays open, and no longer: a disk in use could not be mounted read-only, or taken out. */
  private kept: { readonly path: string; readonly fd: number } | undefined

  constructor(readonly name: string) {}

  list(folder: string): Promise<Outcome<string[]>> {
    return this.attempt(folder, async (place) => {
      const names = await readdir(place).catch((error: NodeJS.ErrnoException) => {
        if (error.code === 'ENOENT') return []
        throw error
      })
      return good(names)
    })
  }

  makeFolder(folder: string): Promise<Outcome<void>> {
    return this.attempt(folder, async (place) => {
      await mkdir(place, { recursive: true })
      return done
    })
  }

  size(path: string): Promise<Outcome<number>> {
    return this.attempt(path, async (place) => good((await stat(place)).size))
  }

  read(path: string, from: number, length: number, into?: Uint8Array): Promise<Outcome<Uint8Array>> {
    return this.attempt(path, async (place) => {
      const handle = await open(place, 'r')
      try {
        return good(await readFully(handle, from, into?.subarray(0, length) ?? Buffer.allocUnsafe(length)))
      } finally {
        await handle.close()
      }
    })
  }

  append(path: string, bytes: Uint8Array): Promise<Outcome<number>> {
    return this.attempt(path, (place) => {
      // A few kB into the page cache take microseconds; by way of a thread, ten times that. What can take long is the sync.
      return Promise.resolve(good(writeSync(this.opened(path, place), bytes)))
    })
  }

  datasync(path: string): Promise<Outcome<void>> {
    return this.attempt(path, async (place) => {
      // Answered from memory, unlike the calls that go to a thread: a name that is gone must not be synced as if it stood.
      statSync(place)
      const fd = this.opened(path, place)
      this.kept = undefined
      try {
        await syncOf(fd)
      } finally {
        close(fd)
      }
      return done
    })
  }

  rename(from: string, to: string): Promise<Outcome<void>> {
    return this.attempt(from, async (place) => {
      if (escapes(to)) return bad('disk-denied', this.placeOf(to))
      this.release(from)
      this.release(to)
      await rename(place, this.placeOf(to))
      return done
    })
  }

  truncate(path: string, length: number): Promise<Outcome<void>> {
    return this.attempt(path, async (place) => {
      await truncate(place, length)
      return done
    })
  }

  remove(path: string): Promise<Outcome<void>> {
    return this.attempt(path, async (place) => {
      this.release(path)
      await rm(place)
      return done
    })
  }

  syncFolder(folder: string): Promise<Outcome<void>> {
    return this.attempt(folder, async (place) => {
      const handle = await open(place, 'r')
      try {
        await handle.sync()
        return done
      } finally {
        await handle.close()
      }
    })
  }

  freeBytes(): Promise<Outcome<number>> {
    // Asked before each write, and answered from memory.
    return this.attempt('', (place) => {
      const { bavail, bsize } = statfsSync(place)
      return Promise.resolve(good(bavail * bsize))
    })
  }

  totalBytes(): Promise<Outcome<number>> {
    return this.attempt('', async (place) => {
      const { blocks, bfree, bavail, bsize } = await statfs(place)
      return good((blocks - bfree + bavail) * bsize)
    })
  }

  /** Closes what was kept open. The disk can be used again after it. */
  close(): Promise<void> {
    if (this.kept) this.release(this.kept.path)
    return Promise.resolve()
  }

  protected async attempt<T>(path: string, act: (place: string) => Promise<Outcome<T>>): Promise<Outcome<T>> {
    const place = this.placeOf(path)
    if (escapes(path)) return bad('disk-denied', place)
    try {
      return await act(place)
    } catch (error) {
      return failed(error, place)
    }
  }

  private placeOf(path: string): string {
    return join(this.name, path)
  }

  private opened(path: string, place: string): number {
    if (this.kept?.path !== path) {
      if (this.kept) this.release(this.kept.path)
      this.kept = { path, fd: openSync(place, 'a') }
    }
    return this.kept.fd
  }

  private release(path: string): void {
    if (this.kept?.path !== path) return
    const { fd } = this.kept
    this.kept = undefined
    close(fd)
  }
}

const syncOf = promisify(fdatasync)

/** What it could tell, the sync has told. */
function close(fd: number): void {
  try {
    closeSync(fd)
  } catch {
    // The descriptor is gone in any case.
  }
}

async function readFully(handle: FileHandle, from: number, bytes: Uint8Array): Promise<Uint8Array> {
  let at = 0
  while (at < bytes.length) {
    const { bytesRead } = await handle.read(bytes, at, bytes.length - at, from + at)
    if (bytesRead === 0) break
    at += bytesRead
  }
  return bytes.subarray(0, at)
}

/**
 * The same for a program that does nothing beside reading: it waits for the disk itself, which saves four ways through a
 * thread for each piece of a file. Never for a station, whose loop a hanging disk would stop.
 */
export class DeskDisk extends FolderDisk {
  override read(path: string, from: number, length: number, into?: Uint8Array): Promise<Outcome<Uint8Array>> {
    return this.attempt(path, (place) => {
      const fd = openSync(place, 'r')
      try {
        const bytes = into?.subarray(0, length) ?? Buffer.allocUnsafe(length)
        return Promise.resolve(good(readAll(fd, from, bytes)))
      } finally {
        closeSync(fd)
      }
    })
  }
}

function readAll(fd: number, from: number, bytes: Uint8Array): Uint8Array {
  let at = 0
  while (at < bytes.length) {
    const count = readSync(fd, bytes, at, bytes.length - at, from + at)
    if (count === 0) break
    at += count
  }
  return bytes.subarray(0, at)
}

const escapes = (path: string): boolean => path.startsWith('/') || path.split('/').includes('..')
