import { expect, it } from 'vitest'
import type { Disk, FaultCode, Outcome } from '../../agent/terms/terms.js'

export const bytes = (text: string): Uint8Array => Buffer.from(text)

export function value<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}

export const codeOf = (outcome: Outcome<unknown>): FaultCode | 'ok' =>
  outcome.ok ? 'ok' : outcome.fault.code

const text = async (disk: Disk, path: string): Promise<string> =>
  Buffer.from(value(await disk.read(path, 0, 1000))).toString()

/** What every Disk does; the real one and the one in memory run it. */
export function diskContract(makeDisk: () => Promise<Disk>): void {
  it('appends at the end, makes the file, and says how many bytes it took', async () => {
    const disk = await makeDisk()
    expect(value(await disk.append('a', bytes('one ')))).toBe(4)
    expect(value(await disk.append('a', bytes('two')))).toBe(3)
    expect(value(await disk.append('a', bytes('')))).toBe(0)
    expect(await text(disk, 'a')).toBe('one two')
    expect(value(await disk.size('a'))).toBe(7)
  })

  it('reads any part of a file and fewer bytes at its end', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('0123456789'))
    const part = async (from: number, length: number) =>
      Buffer.from(value(await disk.read('a', from, length))).toString()
    expect(await part(2, 3)).toBe('234')
    expect(await part(8, 5)).toBe('89')
    expect(await part(10, 5)).toBe('')
    expect(await part(50, 5)).toBe('')
    expect(await part(3, 0)).toBe('')
  })

  it('lists names of files and folders, and none for a folder that is not there', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('1'))
    value(await disk.makeFolder('inner'))
    value(await disk.makeFolder('inner'))
    await disk.append('inner/b', bytes('2'))
    expect(value(await disk.list('')).sort()).toEqual(['a', 'inner'])
    expect(value(await disk.list('inner'))).toEqual(['b'])
    expect(value(await disk.list('nothing'))).toEqual([])
    expect(codeOf(await disk.list('a'))).toBe('disk-not-folder')
  })

  it('cuts a file back and goes on appending at the new end', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('0123456789'))
    value(await disk.truncate('a', 4))
    await disk.append('a', bytes('x'))
    expect(await text(disk, 'a')).toBe('0123x')
  })

  it('renames over another file, and appends to what then has the name', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('new'))
    await disk.append('b', bytes('old'))
    value(await disk.rename('a', 'b'))
    await disk.append('b', bytes('er'))
    await disk.append('a', bytes('another'))
    expect(await text(disk, 'b')).toBe('newer')
    expect(await text(disk, 'a')).toBe('another')
  })

  it('removes a file, and makes a new one of that name', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('old'))
    value(await disk.remove('a'))
    expect(codeOf(await disk.size('a'))).toBe('disk-missing')
    await disk.append('a', bytes('new'))
    expect(await text(disk, 'a')).toBe('new')
  })

  it('syncs files and folders, whether appended to before or not', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('1'))
    await disk.append('b', bytes('2'))
    for (const path of ['a', 'b', 'a']) value(await disk.datasync(path))
    value(await disk.syncFolder(''))
    expect(await text(disk, 'a')).toBe('1')
  })

  it('answers disk-missing for what is not there', async () => {
    const disk = await makeDisk()
    const answers = await Promise.all([
      disk.size('a'),
      disk.read('a', 0, 1),
      disk.truncate('a', 0),
      disk.remove('a'),
      disk.rename('a', 'b'),
      disk.datasync('a'),
      disk.append('no/a', bytes('1')),
    ])
    expect(answers.map(codeOf)).toEqual(Array(7).fill('disk-missing'))
  })

  it('refuses every path that leaves its folder', async () => {
    const disk = await makeDisk()
    await disk.append('a', bytes('1'))
    for (const path of ['../x', '/etc/x', 'a/../../x', '..']) {
      const answers = await Promise.all([
        disk.append(path, bytes('1')),
        disk.read(path, 0, 1),
        disk.size(path),
        disk.list(path),
        disk.makeFolder(path),
        disk.remove(path),
        disk.truncate(path, 0),
        disk.datasync(path),
        disk.syncFolder(path),
        disk.rename('a', path),
        disk.rename(path, 'b'),
      ])
      expect(answers.map(codeOf), path).toEqual(Array(11).fill('disk-denied'))
    }
    expect(value(await disk.list(''))).toEqual(['a'])
  })

  it('knows how much room is left', async () => {
    const disk = await makeDisk()
    const free = value(await disk.freeBytes())
    expect(free).toBeGreaterThan(0)
    expect(value(await disk.totalBytes())).toBeGreaterThanOrEqual(free)
  })

  it('names the place in a fault', async () => {
    const disk = await makeDisk()
    const missing = await disk.size('not-there')
    expect(missing.ok || missing.fault.detail).toContain('not-there')
    expect(missing.ok || missing.fault.detail).toContain(disk.name)
  })
}
