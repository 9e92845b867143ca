import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import {
  claimFolder,
  earlierFolder,
  openStore,
  readStoreFolder,
  verifyFolder,
  type Board,
  type Claim,
  type Store,
} from '../../agent/store/store.js'
import { record, set, storeId, value } from './support.js'

const oneBoard: Board = [
  { source: 'device-tree', value: '10000000a1b2c3d4' },
  { source: 'machine-id', value: '3d1219c7c4c5404aaa1f6d2a48adfda4' },
]
const otherBoard: Board = [{ source: 'device-tree', value: '10000000ffff0001' }, oneBoard[1]]
const newId = 'aaaaaaaa-0000-4000-8000-000000000002'

/** As an agent starts: claims the folder, then opens it. */
async function start(disk: MemoryDisk, board: Board, id = storeId): Promise<{ claim: Claim; store: Store }> {
  const claim = value(await claimFolder(disk, board))
  const store = value(await openStore({ disk, newStoreId: () => id, station: 'hill', board }))
  return { claim, store }
}

async function madeOn(board: Board): Promise<MemoryDisk> {
  const disk = new MemoryDisk()
  const { store } = await start(disk, board)
  for (let i = 0; i < 5; i++) store.append(record, set)
  value(await store.seal())
  disk.put('.station-key', 'a key')
  disk.put('.station-key.next', 'the next key')
  disk.put('state.json', 'a checkpoint')
  return disk
}

describe('the board of a store', () => {
  it('is kept with a new store, hashed, and is the same at the next start', async () => {
    const disk = await madeOn(oneBoard)
    expect(disk.text('store.json')).toMatch(
      /"board":\{"device-tree":"[0-9a-f]{32}","machine-id":"[0-9a-f]{32}"\}/,
    )
    expect(disk.text('store.json')).not.toContain('a1b2c3d4')
    const { claim, store } = await start(disk, oneBoard, newId)
    expect([claim.kind, store.storeId]).toEqual(['same', storeId])
  })

  it('is told by the surest sign: a system installed anew is no other board, another chip is', async () => {
    const installedAnew = [oneBoard[0], { source: 'machine-id', value: 'f'.repeat(32) }]
    expect((await start(await madeOn(oneBoard), installedAnew, newId)).claim.kind).toBe('same')
    expect((await start(await madeOn(oneBoard), otherBoard, newId)).claim).toMatchObject({
      kind: 'other',
      source: 'device-tree',
      earlier: { storeId },
      folder: `${earlierFolder}/${storeId}`,
    })
  })

  it('gives a cloned card a new store with numbers from 1 and no key, and keeps the earlier lines readable', async () => {
    const disk = await madeOn(oneBoard)
    const { store } = await start(disk, otherBoard, newId)
    expect([store.storeId, store.nextSeq]).toEqual([newId, 1])
    store.append(record, set)
    value(await store.flush())
    expect(disk.paths).not.toContain('.station-key')
    expect(disk.paths).not.toContain('.station-key.next')
    expect(disk.paths).not.toContain('state.json')
    expect(value(await readStoreFolder(disk)).storeId).toBe(newId)
    const earlier = new MemoryDisk()
    for (const path of disk.paths.filter((one) => one.startsWith(earlierFolder)))
      earlier.put(path.slice(`${earlierFolder}/${storeId}/`.length), disk.text(path))
    expect(value(await verifyFolder(earlier))).toMatchObject({ storeId, lines: 6, problems: 0 })
    expect((await start(disk, otherBoard)).claim.kind).toBe('same')
  })

  it('takes the board that a store of an earlier release lies in for its own', async () => {
    const disk = new MemoryDisk()
    value(await openStore({ disk, newStoreId: () => storeId, station: 'hill' }))
    expect(disk.text('store.json')).not.toContain('board')
    expect((await start(disk, oneBoard, newId)).claim.kind).toBe('same')
    expect((await start(disk, otherBoard, newId)).claim.kind).toBe('other')
  })

  it('stays unknown, and changes nothing, where a board has no sign or none that the store knows', async () => {
    for (const board of [[], [{ source: 'cpu', value: '00000000a1b2c3d4' }]]) {
      const { claim, store } = await start(await madeOn(oneBoard), board, newId)
      expect([claim.kind, store.storeId]).toEqual(['unknown', storeId])
    }
  })

  it('goes on with moving after a power cut at any step of it, and loses no line', async () => {
    let cuts = 0
    for (let after = 0; ; after++) {
      const disk = await madeOn(oneBoard)
      disk.powerFailsAfter = disk.operations + after
      const claimed = await claimFolder(disk, otherBoard)
      if (claimed.ok) break
      const everyOther = (_: string, index: number): boolean => index % 2 === after % 2
      const mixed = { unsynced: 'mixed', sectors: everyOther, size: 'all', names: everyOther } as const
      for (const cut of [{ unsynced: 'lost' }, { unsynced: 'kept' }, mixed] as const) {
        const found = disk.cut(cut)
        const { store } = await start(found, otherBoard, newId)
        expect(store.storeId, `${after} ${cut.unsynced}`).toBe(newId)
        const earlier = found.paths.filter((path) => path.startsWith(`${earlierFolder}/${storeId}/lines-`))
        expect(earlier, `${after} ${cut.unsynced}`).toHaveLength(1)
        expect(found.text(earlier[0])).toContain('record,5,')
        cuts++
      }
    }
    expect(cuts).toBeGreaterThan(10)
  })
})
