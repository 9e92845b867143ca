/** Brings the files of one store to another disk, only what is new, each under a temporary name until it is whole and read back. */
import { createHash } from 'node:crypto'
import { bad, done, good, type Disk, type Outcome } from '../terms/terms.js'

export interface CopyTask {
  readonly from: Disk
  readonly to: Disk
  /** Folder on the other disk; it is there. */
  readonly folder: string
  /** In the order in which they are to arrive: the identity first. */
  readonly names: readonly string[]
  /** The file that is being written to: only whole rows of it are taken. */
  readonly newest?: string
  /** Asked before each file and after a fault: the same stick is still there. */
  readonly isThere: () => boolean
  readonly progress: (share: number) => void
}

export interface CopiedFiles {
  /** On the other disk now, and the same as here. */
  readonly files: number
  readonly lines: number
  /** Written by this copy. */
  readonly newFiles: number
  readonly newLines: number
  /** Files of the other disk that held something else under the same name: kept there under these names. */
  readonly keptAside: readonly string[]
}

type Counts = { -readonly [K in keyof CopiedFiles]: CopiedFiles[K] } & { keptAside: string[] }

const pieceBytes = 256 * 1024
const mostFileBytes = 256 * 1024 * 1024
const mostKept = 99

/**
 * Faults of either disk; the detail names it. Whatever was copied before a fault stays, and the next copy goes on there.
 */
export async function copyFiles(task: CopyTask): Promise<Outcome<CopiedFiles>> {
  const counts: Counts = { files: 0, lines: 0, newFiles: 0, newLines: 0, keptAside: [] }
  for (const [i, name] of task.names.entries()) {
    const copied = task.isThere() ? await copyFile(task, name, counts) : pulledOut(task)
    if (!copied.ok) return task.isThere() ? copied : pulledOut(task)
    task.progress((i + 1) / task.names.length)
  }
  return good(counts)
}

const pulledOut = ({ to }: CopyTask): Outcome<never> =>
  bad('disk-missing', `${to.name} was pulled out or is not mounted any more`)

async function copyFile(task: CopyTask, name: string, counts: Counts): Promise<Outcome<void>> {
  const read = await readAll(task.from, name)
  // The station made room meanwhile: the far end has it.
  if (!read.ok) return read.fault.code === 'disk-missing' ? done : read
  const content = name === task.newest ? wholeRows(read.value) : read.value
  const path = `${task.folder}/${name}`
  const there = await readAll(task.to, path)
  if (!there.ok && there.fault.code !== 'disk-missing') return there
  const before = there.ok ? there.value : undefined
  const lines = numberedRows(content)
  if (before === undefined || !beginsWith(before, content)) {
    if (before !== undefined && !beginsWith(content, before)) {
      const kept = await keepAside(task.to, path)
      if (!kept.ok) return kept
      counts.keptAside.push(kept.value)
    }
    const written = await writeVerified(task.to, task.folder, path, content)
    if (!written.ok) return written
    counts.newFiles++
    counts.newLines += lines - (before === undefined ? 0 : Math.min(lines, numberedRows(before)))
  }
  counts.files++
  counts.lines += lines
  return done
}

const beginsWith = (whole: Buffer, beginning: Buffer): boolean =>
  whole.length >= beginning.length && whole.subarray(0, beginning.length).equals(beginning)

async function readAll(disk: Disk, path: string): Promise<Outcome<Buffer>> {
  const size = await disk.size(path)
  if (!size.ok) return size
  if (size.value > mostFileBytes)
    return bad('disk-error', `${disk.name}/${path} is no file of a store: ${size.value} bytes`)
  const pieces: Buffer[] = []
  for (let at = 0; at < size.value;) {
    const read = await disk.read(path, at, Math.min(pieceBytes, size.value - at))
    if (!read.ok) return read
    if (read.value.length === 0) break
    pieces.push(Buffer.from(read.value))
    at += read.value.length
  }
  return good(Buffer.concat(pieces))
}

const newline = 10

const wholeRows = (bytes: Buffer): Buffer => bytes.subarray(0, bytes.lastIndexOf(newline) + 1)

/** Rows whose second cell is a number: the lines that count. */
function numberedRows(bytes: Buffer): number {
  let count = 0
  for (
    let start = 0, end = bytes.indexOf(newline);
    end >= 0;
    start = end + 1, end = bytes.indexOf(newline, start)
  ) {
    const comma = bytes.indexOf(44, start)
    const first = comma >= 0 && comma < end ? bytes[comma + 1] : 0
    if (first >= 48 && first <= 57) count++
  }
  return count
}

async function keepAside(disk: Disk, path: string): Promise<Outcome<string>> {
  for (let n = 1; n <= mostKept; n++) {
    const aside = `${path}.kept-${n}`
    const size = await disk.size(aside)
    if (size.ok) continue
    if (size.fault.code !== 'disk-missing') return size
    const renamed = await disk.rename(path, aside)
    return renamed.ok ? good(aside) : renamed
  }
  return bad('disk-error', `${disk.name}/${path}: ${mostKept} other versions of it lie there already`)
}

/** Temporary name, sync, rename, folder sync; then what the disk gives back is compared with what it was given. */
async function writeVerified(
  disk: Disk,
  folder: string,
  path: string,
  content: Buffer,
): Promise<Outcome<void>> {
  const temporary = `${path}.tmp`
  const removed = await disk.remove(temporary)
  if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
  const written = await write(disk, temporary, content)
  if (!written.ok) {
    await disk.remove(temporary)
    return written
  }
  const renamed = await disk.rename(temporary, path)
  if (!renamed.ok) return renamed
  const synced = await disk.syncFolder(folder)
  if (!synced.ok) return synced
  const back = await readAll(disk, path)
  if (!back.ok) return back
  return sha256(back.value) === sha256(content)
    ? done
    : bad('disk-error', `${disk.name}/${path}: what was read back is not what was written`)
}

async function write(disk: Disk, path: string, content: Buffer): Promise<Outcome<void>> {
  for (let at = 0; at < content.length;) {
    const wrote = await disk.append(path, content.subarray(at, at + pieceBytes))
    if (!wrote.ok) return wrote
    if (wrote.value === 0) return bad('disk-full', `${disk.name}/${path}`)
    at += wrote.value
  }
  if (content.length === 0) {
    const made = await disk.append(path, content)
    if (!made.ok) return made
  }
  return disk.datasync(path)
}

const sha256 = (bytes: Buffer): string => createHash('sha256').update(bytes).digest('hex')
