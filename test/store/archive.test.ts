import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import {
  openArchive,
  readStoreFolder,
  type ArchiveOptions,
  type ArrivedLine,
} from '../../agent/store/store.js'
import { canonicalLine, type Line } from '../../agent/terms/terms.js'
import { codeOf, note, range, record, seqs, set, storeId, value } from './support.js'

const open = async (disk: MemoryDisk, options: Partial<ArchiveOptions> = {}) =>
  value(await openArchive({ disk, storeId, station: 'hill', linesRange: 10, ...options }))

const arrived = (line: Line): ArrivedLine => ({ seq: line.seq, text: canonicalLine(line, set) })
const records = (from: number, to: number): ArrivedLine[] =>
  range(from, to).map((seq) => arrived(record(seq)))
const skip = (seq: number, from: number, to: number): ArrivedLine =>
  arrived({ kind: 'skip', seq, from, to, damaged: 0 })

describe('an archive', () => {
  it('keeps lines in files of a fixed range of numbers, whatever their order of arrival', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    for (const lines of [records(25, 27), records(1, 5), records(8, 21), records(6, 7)]) {
      expect(value(await archive.add(lines, [set]))).toMatchObject({
        added: lines.length,
        doubles: 0,
        refused: 0,
      })
      value(await archive.sync())
    }
    expect(value(await disk.list('')).sort()).toEqual([
      'lines-000000000000-000000000009.csv',
      'lines-000000000010-000000000019.csv',
      'lines-000000000020-000000000029.csv',
      'store.json',
    ])
    expect(archive.ranges().ranges()).toEqual([
      [1, 21],
      [25, 27],
    ])
    expect(seqs(value(await archive.lines(4, 26)))).toEqual([...range(4, 21), 25, 26])
    expect(seqs(value(await archive.newest(5)))).toEqual([20, 21, 25, 26, 27])
    const scanned: number[] = []
    expect(value(await archive.scan((view) => void scanned.push(view.seq)))).toMatchObject({ lines: 24 })
    expect(scanned).toEqual([...range(1, 21), 25, 26, 27])
  })

  it('holds a line only after the sync, and knows it again when reopened after a power cut', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add(records(1, 12), [set]))
    expect(archive).toMatchObject({ buffered: 12 })
    expect(archive.has(1)).toBe(false)
    value(await archive.sync())
    expect([archive.has(1), archive.has(12), archive.has(13), archive.buffered]).toEqual([
      true,
      true,
      false,
      0,
    ])
    value(await archive.add(records(13, 14), [set]))
    const again = await open(disk.cut({ unsynced: 'lost' }), { linesRange: 999 })
    expect(again.ranges().ranges()).toEqual([[1, 12]])
    expect(again.columnSet(set.id)).toEqual(set)
    value(await again.add(records(13, 14), [set]))
    value(await again.sync())
    expect(seqs(value(await again.lines(1, 20)))).toEqual(range(1, 14))
  })

  it('counts what a skip line covers as settled, but does not hold it', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add([...records(1, 3), skip(64, 4, 63)], [set]))
    value(await archive.sync())
    expect(archive.ranges().contiguousFrom(1)).toBe(64)
    expect(archive.has(10)).toBe(false)
    expect((await open(disk)).ranges().ranges()).toEqual([[1, 64]])
  })

  it('removes doubles, those that wait and those on disk', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add(records(1, 5), [set]))
    expect(value(await archive.add(records(3, 7), [set]))).toMatchObject({
      added: 2,
      doubles: 3,
      conflicts: [],
    })
    value(await archive.sync())
    const before = disk.operations
    expect(value(await archive.add(records(1, 7), [set]))).toMatchObject({
      added: 0,
      doubles: 7,
      conflicts: [],
    })
    value(await archive.sync())
    expect(disk.operations).toBe(before)
    expect(seqs(value(await archive.lines(1, 9)))).toEqual(range(1, 7))
  })

  it('keeps a line with a taken number and another text aside, and names the number', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add(records(1, 3), [set]))
    expect(value(await archive.add([arrived(note(3, 'x'))], [set]))).toMatchObject({
      added: 0,
      conflicts: [3],
    })
    value(await archive.sync())
    const other = { ...record(2), values: [99, 60] }
    expect(value(await archive.add([...records(1, 1), arrived(other)], [set]))).toMatchObject({
      doubles: 1,
      conflicts: [2],
    })
    expect(disk.text('conflicts.txt')).toMatch(
      /^conflict,,event,3,.*\nconflict,,record,2,.*,99\.00,60\.0,,,k[0-9a-f]{8}\n$/,
    )
    expect(value(await archive.lines(2, 2))[0].text).toBe(records(2, 2)[0].text)
    expect((await open(disk)).ranges().ranges()).toEqual([[1, 3]])
  })

  it('bounds the file of conflicts', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add([arrived(note(1, 'first'))], []))
    const text = 'x'.repeat(8000)
    for (let i = 0; i < 300; i++)
      expect(value(await archive.add([arrived(note(1, text + i))], []))).toMatchObject({ conflicts: [1] })
    expect(disk.text('conflicts.txt').length).toBeLessThanOrEqual(1024 * 1024)
  })

  it('refuses what is not canonical, a number that is not its own, and columns that are not known', async () => {
    const archive = await open(new MemoryDisk())
    const lines = [
      { seq: 1, text: records(1, 1)[0].text + ',' },
      { seq: 2, text: records(1, 1)[0].text },
      { seq: 3, text: 'skip,3,NaN,1,0' },
      { seq: 4, text: 'seal,4,=cmd' },
    ]
    expect(value(await archive.add(lines, [set]))).toMatchObject({ added: 0, refused: 4 })
    expect(value(await archive.add(records(1, 1), []))).toMatchObject({ added: 0, refused: 1 })
    expect(archive.buffered).toBe(0)
  })

  it('keeps lines of a kind it does not know', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add([{ seq: 5, text: 'seal,5,1,4,4,abc' }], []))
    value(await archive.sync())
    expect(value(await archive.lines(5, 5))).toEqual([
      { line: { kind: 'other', seq: 5, text: 'seal,5,1,4,4,abc' }, text: 'seal,5,1,4,4,abc' },
    ])
    expect((await open(disk)).has(5)).toBe(true)
  })

  it('does not hold a line that is damaged on disk, and takes it again', async () => {
    const disk = new MemoryDisk()
    const first = await open(disk)
    value(await first.add(records(1, 5), [set]))
    value(await first.sync())
    const name = 'lines-000000000000-000000000009.csv'
    disk.put(name, disk.text(name).replace('record,3,', 'record,4,') + 'record,6,c')
    const archive = await open(disk)
    expect(archive).toMatchObject({ damaged: 1 })
    expect(archive.ranges().ranges()).toEqual([
      [1, 2],
      [4, 5],
    ])
    expect(value(await archive.add(records(1, 6), [set]))).toMatchObject({ added: 2, doubles: 4 })
    value(await archive.sync())
    expect(seqs(value(await archive.lines(1, 9)))).toEqual(range(1, 6))
    expect((await open(disk)).ranges().ranges()).toEqual([[1, 6]])
  })

  it('writes on in a new file when a sync failed, and loses and doubles nothing', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add(records(1, 5), [set]))
    value(await archive.sync())
    value(await archive.add(records(6, 12), [set]))
    disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
    expect(codeOf(await archive.sync())).toBe('disk-error')
    expect([archive.has(6), archive.buffered]).toEqual([false, 7])
    expect(seqs(value(await archive.lines(1, 20)))).not.toContain(12)
    disk.beforeOperation = () => undefined
    value(await archive.sync())
    expect(value(await disk.list(''))).toContain('lines-000000000000-000000000009-2.csv')
    for (const folder of [archive, await open(disk)]) {
      expect(seqs(value(await folder.lines(1, 20)))).toEqual(range(1, 12))
      expect(folder.ranges().ranges()).toEqual([[1, 12]])
    }
    let lines = 0
    value(await archive.scan(() => void lines++))
    expect(lines).toBe(12)
  })

  it('keeps lines waiting on a full disk, and syncs first when more come than may wait', async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk, { maxWaitingLines: 8 })
    disk.capacityBytes = disk.text('store.json').length + 300
    value(await archive.add(records(1, 8), [set]))
    expect(codeOf(await archive.sync())).toBe('disk-full')
    expect(codeOf(await archive.add(records(9, 9), [set]))).toBe('disk-full')
    expect(archive.buffered).toBe(8)
    disk.capacityBytes = Infinity
    value(await archive.add(records(9, 9), [set]))
    expect(archive).toMatchObject({ buffered: 1 })
    expect(archive.ranges().ranges()).toEqual([[1, 8]])
  })

  it('refuses the folder of another store', async () => {
    const disk = new MemoryDisk()
    await open(disk)
    expect(codeOf(await openArchive({ disk, storeId: 'another-store', station: 'hill' }))).toBe(
      'store-foreign',
    )
    expect(codeOf(await openArchive({ disk, storeId, station: 'valley' }))).toBe('store-foreign')
  })

  it("is read as a folder like a station's own store", async () => {
    const disk = new MemoryDisk()
    const archive = await open(disk)
    value(await archive.add(records(15, 25), [set]))
    value(await archive.sync())
    value(await archive.add(records(1, 14), [set]))
    value(await archive.sync())
    const folder = value(await readStoreFolder(disk))
    expect(folder).toMatchObject({ storeId, station: 'hill' })
    expect(seqs(value(await folder.reader.lines(0, 1000)))).toEqual(range(1, 25))
  })

  it('holds each line once after any order of arrival, doubles, syncs and power cuts', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const pick = (n: number): number => Math.floor(random.next() * n)
    let disk = new MemoryDisk()
    let archive = await open(disk)
    const synced = new Set<number>()
    for (let step = 0; step < 300; step++) {
      const from = 1 + pick(95)
      value(await archive.add(records(from, from + pick(12)), [set]))
      if (pick(3) === 0) {
        value(await archive.sync())
        for (const [first, last] of archive.ranges().ranges())
          for (const seq of range(first, last)) synced.add(seq)
      }
      if (pick(10) > 0) continue
      const cuts = [{ unsynced: 'lost' }, { unsynced: 'torn', keptBytes: pick(900), rest: 'zeros' }] as const
      disk.powerFailsAfter = disk.operations + pick(4)
      await archive.sync()
      disk = disk.cut(cuts[pick(2)])
      archive = await open(disk)
      const found = value(await archive.lines(0, 1000)).map(({ line }) => line.seq)
      expect(new Set(found).size).toBe(found.length)
      expect([...synced].filter((seq) => !found.includes(seq))).toEqual([])
    }
  })
})
