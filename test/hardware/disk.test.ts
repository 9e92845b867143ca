import { execFileSync } from 'node:child_process'
import { chmodSync, existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished } from 'vitest'
import { FolderDisk, openFolder } from '../../agent/hardware/disk.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import type { MonoSeconds, UtcMillis } from '../../agent/terms/terms.js'
import { bytes, codeOf, diskContract, value } from './disk-contract.js'

function temporary(): string {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-disk-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  return folder
}
async function realDisk(): Promise<FolderDisk> {
  const disk = value(await openFolder(temporary(), { create: false }))
  onTestFinished(() => disk.close())
  return disk
}
const isRoot = process.getuid?.() === 0

describe('a real disk', () => {
  diskContract(realDisk)

  it('is used again after it was closed', async () => {
    const disk = await realDisk()
    await disk.append('a', bytes('1'))
    await disk.close()
    await disk.append('a', bytes('2'))
    expect(Buffer.from(value(await disk.read('a', 0, 10))).toString()).toBe('12')
  })

  it('says disk-missing at the next sync when the file was taken away under it', async () => {
    const disk = await realDisk()
    await disk.append('a', bytes('1'))
    rmSync(join(disk.name, 'a'))
    expect(codeOf(await disk.datasync('a'))).toBe('disk-missing')
  })

  // The system's own full device: every write to it fails with ENOSPC (Linux, full(4)).
  it.skipIf(!existsSync('/dev/full'))('says disk-full when the system says so', async () => {
    expect(codeOf(await new FolderDisk('/dev').append('full', bytes('1')))).toBe('disk-full')
  })

  it('takes a part when only a part fits, and then says disk-full', async ({ skip }) => {
    const folder = temporary()
    try {
      execFileSync('mount', ['-t', 'tmpfs', '-o', 'size=64k', 'tmpfs', folder], { stdio: 'ignore' })
    } catch {
      skip('needs the right to mount a small file system')
    }
    onTestFinished(() => void execFileSync('umount', [folder], { stdio: 'ignore' }))
    const disk = new FolderDisk(folder)
    const written = value(await disk.append('a', new Uint8Array(100_000)))
    expect(written).toBeLessThan(100_000)
    expect(codeOf(await disk.append('a', new Uint8Array(100_000)))).toBe('disk-full')
    await disk.close()
    execFileSync('mount', ['-o', 'remount,ro', folder], { stdio: 'ignore' })
    expect(codeOf(await disk.append('a', bytes('1')))).toBe('disk-read-only')
    expect(codeOf(await openFolder(folder, { create: true }))).toBe('disk-read-only')
    expect(codeOf(await openFolder(folder, { create: false }))).toBe('ok')
  })
})

describe('opening a folder', () => {
  it('tells apart what is missing, a file, and a folder', async () => {
    const folder = temporary()
    writeFileSync(join(folder, 'file'), '')
    expect(codeOf(await openFolder(join(folder, 'none'), { create: false }))).toBe('disk-missing')
    expect(codeOf(await openFolder(join(folder, 'file'), { create: true }))).toBe('disk-not-folder')
    expect(codeOf(await openFolder(join(folder, 'file', 'inner'), { create: true }))).toBe('disk-not-folder')
    expect(codeOf(await openFolder(folder, { create: true }))).toBe('ok')
  })

  it('makes the folder with its parents when asked, and only then', async () => {
    const folder = join(temporary(), 'a', 'b')
    expect(codeOf(await openFolder(folder, { create: false }))).toBe('disk-missing')
    expect(existsSync(folder)).toBe(false)
    const disk = value(await openFolder(folder, { create: true }))
    expect(value(await disk.list(''))).toEqual([])
  })

  it('says disk-denied without permission', async () => {
    const folder = temporary()
    // Root may do everything, so for this moment it becomes somebody else.
    chmodSync(folder, isRoot ? 0o700 : 0o500)
    if (isRoot) process.seteuid?.(65534)
    const codes = [
      codeOf(await openFolder(folder, { create: true })),
      codeOf(await openFolder(join(folder, 'inner'), { create: true })),
    ]
    if (isRoot) process.seteuid?.(0)
    chmodSync(folder, 0o700)
    // access(2), which looks at the folder itself, asks about the real user: that one is still root.
    expect(codes).toEqual([isRoot ? 'ok' : 'disk-denied', 'disk-denied'])
  })
})

describe('a disk in memory', () => {
  diskContract(async () => new MemoryDisk())

  it('loses at a power cut what was not synced: content, and names', async () => {
    const disk = new MemoryDisk()
    await disk.append('a', bytes('safe'))
    await disk.datasync('a')
    await disk.syncFolder('')
    await disk.append('a', bytes(' not'))
    await disk.append('b', bytes('synced, but its name is not'))
    await disk.datasync('b')
    const after = disk.cut({ unsynced: 'lost' })
    expect(value(await after.list(''))).toEqual(['a'])
    expect(after.text('a')).toBe('safe')
  })

  it('undoes at a power cut a rename and a remove whose folder was not synced', async () => {
    const disk = new MemoryDisk()
    disk.put('a', '1')
    disk.put('b', '2')
    await disk.rename('a', 'c')
    await disk.remove('b')
    expect(value(await disk.list(''))).toEqual(['c'])
    expect(value(await disk.cut({ unsynced: 'lost' }).list('')).sort()).toEqual(['a', 'b'])
  })

  it('gives back at a power cut what a truncate took that was not synced', async () => {
    const disk = new MemoryDisk()
    disk.put('a', '0123456789')
    await disk.truncate('a', 4)
    await disk.append('a', bytes('x'))
    expect(disk.cut({ unsynced: 'lost' }).text('a')).toBe('0123456789')
  })

  it('keeps or tears at a power cut what was not synced, as told', async () => {
    const torn = async (cut: Parameters<MemoryDisk['cut']>[0]): Promise<string> => {
      const disk = new MemoryDisk()
      disk.put('a', 'safe')
      await disk.append('a', bytes('1234'))
      return disk.cut(cut).text('a')
    }
    expect(await torn({ unsynced: 'kept' })).toBe('safe1234')
    expect(await torn({ unsynced: 'torn', keptBytes: 2, rest: 'missing' })).toBe('safe12')
    expect(await torn({ unsynced: 'torn', keptBytes: 2, rest: 'zeros' })).toBe('safe12\0\0')
    expect(await torn({ unsynced: 'torn', keptBytes: 9, rest: 'missing' })).toBe('safe1234')
  })

  it('answers nothing after the power failed', async () => {
    const disk = new MemoryDisk()
    disk.powerFailsAfter = 2
    expect(codeOf(await disk.append('a', bytes('1')))).toBe('ok')
    expect(codeOf(await disk.append('a', bytes('2')))).toBe('disk-error')
    expect(codeOf(await disk.datasync('a'))).toBe('disk-error')
    expect(codeOf(await disk.list(''))).toBe('disk-error')
    expect(disk.cut({ unsynced: 'kept' }).text('a')).toBe('12')
  })

  it('keeps, loses and reorders unsynced sectors of 512 bytes as told, and leaves size without data', async () => {
    const disk = new MemoryDisk()
    disk.put('a', 'o'.repeat(500))
    await disk.append('a', bytes('1'.repeat(12) + '2'.repeat(512) + '3'.repeat(100)))
    expect(disk.unsynced()).toEqual({ bytes: 624, sectors: 3, names: 0 })
    const left = (kept: number[], size: 'none' | 'kept' | 'all'): string =>
      disk
        .cut({ unsynced: 'mixed', sectors: (_, sector) => kept.includes(sector), size, names: () => true })
        .text('a')
        .replace(/(.)\1*/g, (run) => `${run.length}${run[0] === '\0' ? '-' : run[0]} `)
    expect(left([], 'none')).toBe('500o ')
    expect(left([], 'all')).toBe('500o 624- ')
    expect(left([0], 'all')).toBe('500o 121 612- ')
    expect(left([1], 'kept')).toBe('500o 12- 5122 ')
    expect(left([2], 'all')).toBe('500o 524- 1003 ')
    expect(left([0, 2], 'kept')).toBe('500o 121 512- 1003 ')
    expect(left([0, 1, 2], 'none')).toBe('500o ')
  })

  it('loses single names made, changed or removed since the folder was synced, as told', async () => {
    const disk = new MemoryDisk()
    disk.put('old', 'o')
    await disk.append('new', bytes('n'))
    await disk.datasync('new')
    await disk.rename('new', 'named')
    await disk.remove('old')
    const left = (...kept: number[]): string[] =>
      disk
        .cut({
          unsynced: 'mixed',
          sectors: () => true,
          size: 'all',
          names: (_, index) => kept.includes(index),
        })
        .paths.sort()
    expect(disk.unsynced().names).toBe(3)
    expect(left()).toEqual(['old'])
    expect(left(0)).toEqual(['new', 'old'])
    expect(left(0, 1)).toEqual(['named', 'old'])
    expect(left(0, 1, 2)).toEqual(['named'])
    expect(left(2)).toEqual([])
    disk.powerFailsAfter = Infinity
    await disk.syncFolder('')
    expect(disk.unsynced().names).toBe(0)
  })

  // What Linux does since 4.13: a failed write-back marks the pages clean, and the next fsync succeeds (fsync(2), 'errors').
  it('never brings to the medium what a failed sync lost, whatever a later sync says, and tells who tried', async () => {
    const disk = new MemoryDisk()
    disk.put('a', 'safe')
    await disk.append('a', bytes('lost'))
    disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
    expect(codeOf(await disk.datasync('a'))).toBe('disk-error')
    disk.beforeOperation = () => undefined
    expect(disk.usedAfterFailedSync.size).toBe(0)
    await disk.append('a', bytes('more'))
    expect(codeOf(await disk.datasync('a'))).toBe('ok')
    expect([...disk.usedAfterFailedSync]).toEqual(['a'])
    expect(disk.text('a')).toBe('safelostmore')
    expect(disk.cut({ unsynced: 'lost' }).text('a')).toBe('safe\0\0\0\0more')
  })

  it('can fail to read, and take its time to sync while virtual time goes on', async () => {
    const clock = new VirtualClock({ bootId: 'b', mono: 0, utc: 0 as UtcMillis })
    const disk = new MemoryDisk()
    disk.put('a', '1')
    disk.beforeLook = (operation) => (operation === 'read' ? 'disk-error' : undefined)
    expect(codeOf(await disk.read('a', 0, 1))).toBe('disk-error')
    expect(codeOf(await disk.size('a'))).toBe('ok')
    disk.delay = (operation) => (operation === 'datasync' ? clock.after(3) : undefined)
    await disk.append('a', bytes('2'))
    let synced = false
    const syncing = disk.datasync('a').then(() => (synced = true))
    clock.set(2.9 as MonoSeconds)
    await Promise.resolve()
    expect(synced).toBe(false)
    expect(disk.cut({ unsynced: 'lost' }).text('a')).toBe('1')
    disk.powerFailsAfter = Infinity
    clock.set(3 as MonoSeconds)
    await syncing
    expect(disk.cut({ unsynced: 'lost' }).text('a')).toBe('12')
  })

  it('can be full, read-only and failing', async () => {
    const disk = new MemoryDisk()
    disk.capacityBytes = 6
    expect(value(await disk.append('a', bytes('1234')))).toBe(4)
    expect(value(await disk.append('a', bytes('5678')))).toBe(2)
    expect(codeOf(await disk.append('a', bytes('9')))).toBe('disk-full')
    expect(value(await disk.freeBytes())).toBe(0)
    disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
    expect(codeOf(await disk.datasync('a'))).toBe('disk-error')
    disk.readOnly = true
    expect(codeOf(await disk.append('b', bytes('1')))).toBe('disk-read-only')
    expect(codeOf(await disk.size('a'))).toBe('ok')
  })
})
