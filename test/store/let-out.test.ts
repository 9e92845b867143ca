import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openArchive, verifyFolder, type Store } from '../../agent/store/store.js'
import { all, appendRecords, codeOf, open, set, value } from './support.js'
import { testKey } from './test-key.js'

const textsOf = async (store: Store, from: number, to: number): Promise<string[]> =>
  value(await store.linesAsText(from, to)).map(({ text }) => text)

const numbers = (texts: readonly string[]): number[] => texts.map((text) => Number(text.split(',')[1]))

describe('lines that may leave before they are safe', () => {
  it('are none until they are let out, and then the same texts that come to the disk later', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    appendRecords(store, 3)
    value(await store.flush())
    disk.readOnly = true
    appendRecords(store, 4)
    expect(codeOf(await store.flush())).toBe('disk-read-only')
    expect(numbers(await textsOf(store, 1, 7))).toEqual([1, 2, 3])
    expect(store.letOut(5)).toBe(5)
    const left = await textsOf(store, 1, 7)
    expect(numbers(left)).toEqual([1, 2, 3, 4, 5])
    expect(store.letOut(100)).toBe(7)
    expect(store.letOut(1)).toBe(7)
    expect(numbers(await textsOf(store, 5, 7))).toEqual([5, 6, 7])
    disk.readOnly = false
    value(await store.flush())
    expect((await textsOf(store, 1, 7)).slice(0, 5)).toEqual(left)
    expect(numbers((await all(store)).map((line) => `x,${line.seq}`))).toEqual([1, 2, 3, 4, 5, 6, 7])
  })

  it('keep their numbers when memory is full: no skip line ever stands under a number that left', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk, { maxBufferedLines: 6 })
    appendRecords(store, 2)
    value(await store.flush())
    disk.readOnly = true
    const left = new Map<number, string>()
    for (let i = 0; i < 12; i++) {
      appendRecords(store, 1)
      await store.flush()
      // What is beyond the reserved number stays.
      const upTo = store.letOut(9)
      for (const text of await textsOf(store, store.safeSeq + 1, upTo)) left.set(numbers([text])[0], text)
    }
    expect([...left.keys()]).toEqual([3, 4, 5, 6, 7, 8, 9])
    disk.readOnly = false
    value(await store.flush())
    const onDisk = new Map(value(await store.lines(1, 100)).map(({ line, text }) => [line.seq, text]))
    for (const [seq, text] of left) expect(onDisk.get(seq) ?? text).toBe(text)
    const counts = store.counts()
    expect(counts.taken).toBe(counts.given + counts.held + counts.refused['buffer-full'])
    expect(store.buffered).toBe(0)
    const found = value(await verifyFolder(disk))
    expect(found.findings).toEqual([])
    // Every number is a line, or said to be none.
    const skips = [...onDisk.values()]
      .filter((text) => text.startsWith('skip,'))
      .map((text) => text.split(',').map(Number))
    for (let seq = 1; seq < store.nextSeq; seq++)
      expect(onDisk.has(seq) || skips.some(([, , from, to]) => from <= seq && seq <= to), String(seq)).toBe(
        true,
      )
  })

  it('are numbers that a start above the reserved one never gives again, and an archive with them still verifies', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    appendRecords(store, 10)
    value(await store.seal(testKey()))
    disk.readOnly = true
    appendRecords(store, 5)
    await store.flush()
    const upTo = store.letOut(500)
    const left = value(await store.linesAsText(1, upTo))
    const after = disk.cut({ unsynced: 'lost' })
    after.readOnly = false
    const again = await open(after, { atLeastSeq: 500 })
    expect(again.nextSeq).toBeGreaterThan(500)
    appendRecords(again, 3)
    value(await again.seal(testKey()))
    const archiveDisk = new MemoryDisk()
    const archive = value(await openArchive({ disk: archiveDisk, storeId: again.storeId, station: 'hill' }))
    const kept = value(await again.linesAsText(1, again.safeSeq))
    const arrived = [...left, ...kept].map(({ line, text }) => ({ seq: line.seq, text }))
    expect(value(await archive.add(arrived, [set])).conflicts).toEqual([])
    value(await archive.sync())
    const found = value(await verifyFolder(archiveDisk, { expectedKey: testKey().publicKey }))
    expect(found.findings).toEqual([])
    expect(found.signedTo).toBeGreaterThan(500)
    expect(found.lines).toBeGreaterThan(kept.length)
    expect(value(await verifyFolder(after)).findings).toEqual([])
  })

  it('leaves out as many numbers as may have left, where nobody knows the reserved one any more', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    appendRecords(store, 10)
    value(await store.flush())
    const again = await open(disk, { leaveOut: 4096 })
    expect(again.nextSeq).toBeGreaterThan(10 + 4096)
  })
})
