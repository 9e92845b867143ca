import { mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished } from 'vitest'
import { stateFile, stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { codeOf, value } from './disk-contract.js'

async function savedTwice(): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  const state = stateFileOn(disk, 'state.json')
  value(await state.save({ n: 1 }))
  value(await state.save({ n: 2 }))
  return disk
}

describe('a state file', () => {
  it('gives undefined before anything was saved, then what was saved last', async () => {
    const disk = new MemoryDisk()
    const state = stateFileOn(disk, 'state.json')
    expect(value(await state.load())).toBeUndefined()
    value(await state.save({ n: 1, list: ['a', { b: null }] }))
    expect(value(await state.load())).toEqual({ n: 1, list: ['a', { b: null }] })
    expect(value(await stateFileOn(disk, 'state.json').load())).toEqual({ n: 1, list: ['a', { b: null }] })
  })

  it('falls back to the copy before when the newest is empty, cut, no state or changed', async () => {
    const newest = (await savedTwice()).text('state.json')
    for (const damage of [
      '',
      newest.slice(0, -3),
      'null',
      '[]',
      '7',
      '{}',
      newest.replace('"n":2', '"n":3'),
    ]) {
      const disk = await savedTwice()
      disk.put('state.json', damage)
      expect(value(await stateFileOn(disk, 'state.json').load()), damage).toEqual({ n: 1 })
    }
  })

  it('says state-damaged when both copies are, and saves again after it', async () => {
    const disk = await savedTwice()
    disk.put('state.json', '')
    disk.put('state.json.previous', '[]')
    const state = stateFileOn(disk, 'state.json')
    expect(codeOf(await state.load())).toBe('state-damaged')
    value(await state.save({ n: 3 }))
    expect(value(await state.load())).toEqual({ n: 3 })
  })

  it('never lets a damaged copy take the place of the good one before it', async () => {
    const disk = await savedTwice()
    disk.put('state.json', '')
    const state = stateFileOn(disk, 'state.json')
    value(await state.save({ n: 3 }))
    disk.put('state.json', '')
    expect(value(await stateFileOn(disk, 'state.json').load())).toEqual({ n: 1 })
  })

  it('holds the new value or the one before after a power cut at any operation of a save', async () => {
    const whole = await savedTwice()
    await stateFileOn(whole, 'state.json').save({ n: 3 })
    let cuts = 0
    for (const unsynced of ['lost', 'kept'] as const)
      for (let at = 0; at <= 6; at++) {
        const disk = await savedTwice()
        const state = stateFileOn(disk, 'state.json')
        disk.powerFailsAfter = disk.operations + at
        const saved = await state.save({ n: 3 })
        const found = value(await stateFileOn(disk.cut({ unsynced }), 'state.json').load())
        expect([{ n: 2 }, { n: 3 }], `${unsynced} after ${at}`).toContainEqual(found)
        if (saved.ok) expect(found).toEqual({ n: 3 })
        cuts++
      }
    console.info(`${cuts} cuts`)
  })

  it('saves one after the other, each with the value of its moment', async () => {
    const disk = new MemoryDisk()
    const state = stateFileOn(disk, 'state.json')
    const changing = { n: 0 }
    const saves = []
    for (changing.n = 1; changing.n <= 5; changing.n++) saves.push(state.save(changing))
    expect((await Promise.all(saves)).every((saved) => saved.ok)).toBe(true)
    expect(value(await state.load())).toEqual({ n: 5 })
    expect(disk.text('state.json.previous')).toContain('"n":4')
  })

  it('tells a full or failing disk, keeps what was there, and saves once there is room', async () => {
    const disk = await savedTwice()
    const state = stateFileOn(disk, 'state.json')
    const room = value(await disk.freeBytes())
    expect(room).toBe(Infinity)
    disk.capacityBytes = disk.text('state.json').length * 2 + 10
    expect(codeOf(await state.save({ n: 3 }))).toBe('disk-full')
    expect(codeOf(await state.save({ n: 3 }))).toBe('disk-full')
    expect(value(await state.load())).toEqual({ n: 2 })
    disk.capacityBytes = Infinity
    disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
    expect(codeOf(await state.save({ n: 3 }))).toBe('disk-error')
    disk.beforeOperation = () => undefined
    value(await state.save({ n: 3 }))
    expect(value(await state.load())).toEqual({ n: 3 })
  })

  it('syncs before each rename and the folder after it', async () => {
    const disk = await savedTwice()
    const operations: string[] = []
    disk.beforeOperation = (operation, path) => void operations.push(`${operation} ${path}`)
    await stateFileOn(disk, 'state.json').save({ n: 3 })
    expect(operations).toEqual([
      'remove state.json.tmp',
      'append state.json.tmp',
      'datasync state.json.tmp',
      'rename state.json',
      'rename state.json.tmp',
      'syncFolder ',
    ])
  })

  it('writes a real file whatever NODE_ENV says', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'motepost-state-'))
    onTestFinished(() => rmSync(folder, { recursive: true }))
    expect(process.env.NODE_ENV).toBe('test')
    const path = join(folder, 'state.json')
    value(await stateFile(path).save({ n: 1 }))
    value(await stateFile(path).save({ n: 2 }))
    expect(readdirSync(folder).sort()).toEqual(['state.json', 'state.json.previous'])
    expect(readFileSync(path, 'utf8')).toMatch(
      /^\{"motepost":"state","format":1,"check":"k[0-9a-f]{8}","value":\{"n":2\}\}\n$/,
    )
    expect(value(await stateFile(path).load())).toEqual({ n: 2 })
  })
})
