import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { readStoreFolder, type LineView } from '../../agent/store/store.js'
import { isBalanced, longestLine, type Line, type RecordLine } from '../../agent/terms/terms.js'
import {
  all,
  appendRecords,
  codeOf,
  firstFile,
  note,
  open,
  range,
  record,
  seqs,
  set,
  storeId,
  value,
  written,
} from './support.js'

const formatText = readFileSync(join(import.meta.dirname, '../../agent/store/FORMAT.md'), 'utf8')

describe('a store', () => {
  it('writes the file that FORMAT.md shows, to the byte', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    store.append((seq) => note(seq, 'set up, facing north'))
    store.append(record, set)
    store.append(
      (seq) => ({ ...record(seq), values: [NaN, 0], utc: undefined, excluded: { 'warm-up': 30 } }),
      set,
    )
    value(await store.flush())
    await disk.append(firstFile, Buffer.from(`record,4,${set.id},0a1b2c3d,240.0`))
    const after = disk.cut({ unsynced: 'kept' })
    const again = await open(after)
    again.append(record, set)
    value(await again.flush())
    expect(after.text(firstFile)).toBe(/```csv\n([^`]*)```/.exec(formatText)?.[1])
  })

  it('gives numbers at once, and safe lines only after the flush', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    expect([store.append(record, set), store.append((seq) => note(seq, 'a')), store.nextSeq]).toEqual([
      1, 2, 3,
    ])
    expect(store).toMatchObject({ safeSeq: 0, buffered: 2 })
    expect(await all(store)).toEqual([])
    value(await store.flush())
    expect(store).toMatchObject({ safeSeq: 2, buffered: 0 })
    const [first, second] = await all(store)
    expect(first).toEqual({ ...record(1), values: new Float64Array(record(1).values) })
    expect(second).toEqual(note(2, 'a'))
    expect(disk.cut({ unsynced: 'lost' }).text(firstFile)).toContain('event,2,')
  })

  it('writes once and syncs once a flush, and not at all when nothing waits', async () => {
    const disk = await written(3)
    const store = await open(disk)
    value(await store.flush())
    const before = disk.operations
    value(await store.flush())
    expect(disk.operations).toBe(before)
    appendRecords(store, 100)
    value(await store.flush())
    expect(disk.operations).toBe(before + 2)
  })

  it('runs flushes one at a time; each call covers what was appended before it', async () => {
    const store = await open(new MemoryDisk())
    const flushes = [1, 2, 3].map(async (n) => {
      appendRecords(store, 10)
      value(await store.flush())
      expect(store.safeSeq).toBeGreaterThanOrEqual(10 * n)
    })
    await Promise.all(flushes)
    expect(seqs(await all(store))).toEqual(range(1, 30))
  })

  it('takes lines while a flush is under way', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    appendRecords(store, 2)
    disk.beforeOperation = (operation) => {
      if (operation === 'append') appendRecords(store, 1)
      return undefined
    }
    value(await store.flush())
    expect(store).toMatchObject({ safeSeq: 2, buffered: 1, nextSeq: 4 })
    value(await store.flush())
    expect(seqs(await all(store))).toEqual([1, 2, 3])
  })

  it('begins a new file after so many lines, also in the middle of a flush and after a restart', async () => {
    const disk = await written(12, { linesPerFile: 5 })
    const store = await open(disk, { linesPerFile: 5 })
    appendRecords(store, 4)
    value(await store.flush())
    expect(value(await disk.list('')).sort()).toEqual([
      'lines-000000000001.csv',
      'lines-000000000006.csv',
      'lines-000000000011.csv',
      'lines-000000000067.csv',
      'store.json',
    ])
    for (const name of value(await disk.list('')).filter((name) => name.startsWith('lines')))
      expect(disk.text(name)).toMatch(/^file,,1,.*\ncolumns,,c[0-9a-f]{8},boot,/)
    expect(seqs(await all(store))).toEqual([...range(1, 12), ...range(64, 68)])
  })

  it('reads any range and the newest lines, across files and where numbers are missing', async () => {
    const store = await open(await written(23, { linesPerFile: 5 }), { linesPerFile: 5 })
    appendRecords(store, 3)
    value(await store.flush())
    for (const [from, to] of [
      [1, 1],
      [5, 6],
      [4, 17],
      [23, 65],
      [24, 63],
      [65, 1000],
      [9, 8],
    ]) {
      const wanted = [...range(1, 23), ...range(64, 67)].filter((seq) => seq >= from && seq <= to)
      expect(seqs(value(await store.lines(from, to))), `${from}-${to}`).toEqual(wanted)
    }
    expect(seqs(value(await store.newest(6)))).toEqual([22, 23, ...range(64, 67)])
    expect(seqs(value(await store.newest(100)))).toHaveLength(27)
    expect(value(await store.newest(0))).toEqual([])
  })

  it('gives the canonical text of each line and the columns of its records', async () => {
    const store = await open(await written(2))
    const [, second] = value(await store.lines(1, 2))
    expect(second.text).toBe(`record,2,${set.id},0a1b2c3d,120.00,60.0,60.0,2026-03-01T00:02:00Z,0.50,60.0,,`)
    expect(store.columnSet(set.id)).toEqual(set)
    expect(store.columnSet('c00000000')).toBeUndefined()
  })

  it('reads nothing that a failed write may have left behind', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    appendRecords(store, 2)
    value(await store.flush())
    disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
    appendRecords(store, 2)
    expect(codeOf(await store.flush())).toBe('disk-error')
    expect(disk.text(firstFile)).toContain('record,4,')
    expect(seqs(await all(store))).toEqual([1, 2])
    expect(store).toMatchObject({ safeSeq: 2, buffered: 2 })
  })

  it('replaces a line that no reader would take by an event that says so', async () => {
    const store = await open(new MemoryDisk())
    store.append((seq) => note(seq, 'x'.repeat(longestLine)))
    store.append((seq) => note(seq, 'short'))
    value(await store.flush())
    const [long, short] = await all(store)
    expect(long).toMatchObject({ kind: 'event', name: 'line-too-long', details: { kind: 'event' } })
    expect(short).toEqual(note(2, 'short'))
  })

  it('balances: taken = given + refused + held', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk, { maxBufferedLines: 5 })
    const states = [store.counts()]
    for (let round = 0; round < 12; round++) {
      disk.readOnly = round % 3 === 0
      appendRecords(store, 4)
      states.push(store.counts())
      await store.flush()
      states.push(store.counts())
    }
    expect(states.every(isBalanced)).toBe(true)
    expect(store.counts().refused['buffer-full']).toBeGreaterThan(0)
  })

  it('answers a disk that cannot be read with a fault', async () => {
    const disk = await written(3)
    const store = await open(disk)
    disk.powerFailsAfter = 0
    expect(codeOf(await store.lines(1, 3))).toBe('disk-error')
    expect(codeOf(await store.newest(1))).toBe('disk-error')
    expect(codeOf(await store.scan(() => undefined))).toBe('disk-error')
  })
})

describe('a scan', () => {
  it('shows every line with the same figures as reading it, cell by cell', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk, { linesPerFile: 3 })
    const odd: Partial<RecordLine>[] = [
      { values: [-0.25, 0] },
      { values: [NaN, NaN], utc: undefined },
      {
        values: [999_999_999_999.99, 0.1],
        excluded: { 'warm-up': 1.5, 'no-data.2': 2 },
        marked: { humid: 60 },
      },
      { values: [1e-9, 123456.7], seconds: 12.3, planned: 0 },
    ]
    for (const part of odd) store.append((seq) => ({ ...record(seq), ...part }), set)
    store.append((seq) => note(seq, 'ü, 7'))
    value(await store.flush())
    const views: unknown[] = []
    const visit = (view: LineView): void => void views.push(figures(view))
    expect(value(await store.scan(visit))).toMatchObject({ lines: 5, damaged: 0, cut: 0 })
    expect(views).toEqual((await all(store)).map(figuresOfLine))
    const [text] = value(await store.lines(3, 3))
    await store.scan(
      (view) => {
        expect([view.text(), view.excluded(), view.marked()]).toEqual([
          text.text,
          'warm-up=1.5;no-data.2=2.0',
          'humid=60.0',
        ])
      },
      { from: 3, to: 3 },
    )
  })

  it('goes through a range or a kind only, and ends when told', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk, { linesPerFile: 4 })
    for (let i = 1; i <= 20; i++) store.append(i % 5 === 0 ? (seq) => note(seq, 'x') : record, set)
    value(await store.flush())
    const found = async (
      ...args: [stopAt: number, options?: Parameters<typeof store.scan>[1]]
    ): Promise<number[]> => {
      const seen: number[] = []
      value(await store.scan((view) => seen.push(view.seq) < args[0], args[1]))
      return seen
    }
    expect(await found(100)).toEqual(range(1, 20))
    expect(await found(7)).toEqual(range(1, 7))
    expect(await found(100, { from: 6, to: 13 })).toEqual(range(6, 13))
    expect(await found(100, { kind: 'event' })).toEqual([5, 10, 15, 20])
    expect(await found(100, { kind: 'event', from: 11 })).toEqual([15, 20])
    expect(await found(2, { kind: 'record', to: 10 })).toEqual([1, 2])
  })
})

describe('a folder opened for reading', () => {
  it("gives identity and lines of a station's store, and writes nothing", async () => {
    const disk = await written(12, { linesPerFile: 5 })
    disk.put(firstFile, disk.text(firstFile).replace('record,3,', 'record,333,'))
    const before = disk.operations
    const folder = value(await readStoreFolder(disk))
    expect(folder).toMatchObject({ storeId, station: 'hill' })
    expect(seqs(value(await folder.reader.lines(1, 12)))).toEqual([1, 2, ...range(4, 12)])
    expect(value(await folder.reader.scan(() => undefined))).toMatchObject({ lines: 11, damaged: 1, cut: 0 })
    expect(disk.operations).toBe(before)
  })

  it('refuses what is no store, and an empty folder', async () => {
    const disk = new MemoryDisk()
    expect(codeOf(await readStoreFolder(disk))).toBe('store-foreign')
    disk.put('x', '')
    expect(codeOf(await readStoreFolder(disk))).toBe('store-foreign')
  })
})

const figures = (view: LineView): unknown =>
  view.isRecord
    ? {
        seq: view.seq,
        boot: view.boot(),
        mono: view.mono(),
        seconds: view.seconds(),
        planned: view.planned(),
        utc: view.utc(),
        set: view.columnSet()?.id,
        values: [view.value(0), view.value(1)],
      }
    : view.line()

function figuresOfLine(line: Line): unknown {
  if (line.kind !== 'record') return line
  const { seq, boot, mono, seconds, planned, utc, values } = line
  return { seq, boot, mono, seconds, planned, utc, set: line.set, values: Array.from(values) }
}
