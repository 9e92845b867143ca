import { crc32 } from 'node:zlib'
import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openStore } from '../../agent/store/store.js'
import type { OtherLine, SkipLine } from '../../agent/terms/terms.js'
import {
  all,
  appendRecords,
  codeOf,
  damage,
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

/** A line as FORMAT.md describes it, written here without the code under test. */
const stored = (text: string, file = firstFile, id = storeId): string =>
  `${text},k${crc32(`${id}/${file}${text}`).toString(16).padStart(8, '0')}\n`

const cut = { unsynced: 'lost' } as const
const openFails = async (disk: MemoryDisk) =>
  openStore({ disk, station: 'hill', newStoreId: () => 'another-id-0000' })

describe('a start (the numbers are those of the rules in agent/store/FORMAT.md)', () => {
  it('1: makes a store of an empty folder, and numbers begin at 1', async () => {
    const disk = new MemoryDisk()
    disk.put('.hidden', '')
    disk.put('store.json.tmp', '{"motepo')
    const store = await open(disk)
    expect(store).toMatchObject({ storeId, station: 'hill', nextSeq: 1, safeSeq: 0, buffered: 0 })
    expect(store.recovered).toEqual({ lines: 0, damaged: 0, notYet: 0 })
    const after = disk.cut(cut)
    expect(JSON.parse(after.text('store.json'))).toEqual({
      motepost: 'store',
      format: 1,
      store: storeId,
      station: 'hill',
    })
    expect((await open(after, { newStoreId: () => 'not-asked-again' })).nextSeq).toBe(1)
  })

  it('1: makes the identity so that a power cut at any operation leaves it whole or absent', async () => {
    for (const unsynced of ['lost', 'kept'] as const)
      for (let at = 0; at <= 5; at++) {
        const disk = new MemoryDisk()
        disk.powerFailsAfter = at
        await openStore({ disk, station: 'hill', newStoreId: () => storeId })
        expect((await open(disk.cut({ unsynced }))).storeId).toBe(storeId)
      }
  })

  it('2: refuses a folder that holds something else, and does not write to it', async () => {
    for (const name of ['photo.jpg', 'lines.csv', 'inner/file']) {
      const disk = new MemoryDisk()
      disk.put(name, 'mine')
      const opened = await openFails(disk)
      expect(codeOf(opened)).toBe('store-foreign')
      expect(opened.ok || opened.fault.detail).toContain(name.split('/')[0])
      expect(disk.operations).toBe(0)
    }
  })

  it('2: refuses what only looks like a store, a later format, and the store of another station', async () => {
    const identity = { motepost: 'store', format: 1, store: storeId, station: 'hill' }
    const others = [
      '',
      'null',
      '[]',
      '{}',
      JSON.stringify(identity).slice(0, -2),
      JSON.stringify({ ...identity, format: 2 }),
      JSON.stringify({ ...identity, station: 'valley' }),
      JSON.stringify({ ...identity, store: '../x' }),
      JSON.stringify({ ...identity, station: 7 }),
    ]
    for (const text of others) {
      const disk = new MemoryDisk()
      disk.put('store.json', text)
      const opened = await openFails(disk)
      expect(codeOf(opened), text).toBe('store-foreign')
      expect(opened.ok || opened.fault.detail).toContain('store.json')
      expect(disk.operations).toBe(0)
    }
  })

  it('3: takes a lost identity from the header of a lines file and writes it again', async () => {
    for (const left of [undefined, '', '{"motepost":"sto']) {
      const disk = await written(3)
      if (left === undefined) await disk.remove('store.json')
      else disk.put('store.json', left)
      const store = await open(disk, { newStoreId: () => 'not-asked-again' })
      expect(store.storeId).toBe(storeId)
      expect(seqs(await all(store))).toEqual([1, 2, 3])
      expect(disk.text('store.json')).toContain(storeId)
    }
  })

  it('3: begins where a check before the first start left what it tried, and nowhere else', async () => {
    const disk = new MemoryDisk()
    for (const name of ['sim.json', 'sim.json.previous', 'wake-proof.json', 'wake-trial.json'])
      disk.put(name, '{}\n')
    expect((await open(disk)).storeId).toBe(storeId)
    const foreign = new MemoryDisk()
    foreign.put('holiday.json', '{}\n')
    expect(codeOf(await openFails(foreign))).toBe('store-foreign')
  })

  it('3: does not take an identity from a header that is damaged', async () => {
    const disk = await written(3)
    await disk.remove('store.json')
    damage(disk, firstFile, 'hill', 'hall')
    expect(codeOf(await openFails(disk))).toBe('store-foreign')
  })

  it('4: does not believe a line whose number a later file claims', async () => {
    const disk = await written(4)
    disk.put('lines-000000000003.csv', disk.text(firstFile))
    const text = disk.text(firstFile).split('\n').slice(1)
    const header = stored(`file,,1,${storeId},hill,lines-000000000003.csv`, 'lines-000000000003.csv')
    const third = stored(text[3].replace(/,k.{8}$/, '').replace('0.75', '0.76'), 'lines-000000000003.csv')
    const columns = stored(text[0].replace(/,k.{8}$/, ''), 'lines-000000000003.csv')
    disk.put('lines-000000000003.csv', header + columns + third)
    const store = await open(disk)
    expect(
      (await all(store)).map((line) => (line.kind === 'record' ? [line.seq, line.values[0]] : [])),
    ).toEqual([
      [1, 0.25],
      [2, 0.5],
      [3, 0.76],
    ])
    expect(store.safeSeq).toBe(3)
    expect(store.recovered).toMatchObject({ skippedFrom: 4, skippedTo: 63 })
  })

  it('5: does not believe a last line without line end, and counts it as one number', async () => {
    const whole = await written(63)
    expect((await open(whole)).nextSeq).toBe(64)
    for (const tail of [stored('skip,64,1,2,0').trimEnd(), 'record,64,', 'r', '\0\0\0\0']) {
      const disk = await written(63)
      disk.put(firstFile, disk.text(firstFile) + tail)
      const store = await open(disk)
      expect(store.recovered).toMatchObject({ lines: 63, damaged: 0, notYet: 1 })
      expect(store.safeSeq).toBe(63)
      expect(store.nextSeq - 1, 'one number for its skip line').toBe(128)
      expect(seqs(await all(store))).toEqual(range(1, 63))
    }
  })

  it('6: ends such a line so that it is never believed later, and does not count it', async () => {
    const disk = await written(3)
    const tail = stored('skip,4,1,2,0').trimEnd()
    disk.put(firstFile, disk.text(firstFile) + tail)
    const store = await open(disk)
    appendRecords(store, 1)
    value(await store.flush())
    expect(disk.text(firstFile)).toContain(`${tail},cut\nskip,64,4,63,0,`)
    expect(seqs(await all(store))).toEqual([1, 2, 3, 64, 65])
    const again = await open(disk)
    expect(again.recovered).toMatchObject({ damaged: 0, notYet: 0 })
    expect(value(await again.scan(() => undefined))).toMatchObject({ lines: 5, damaged: 0, cut: 1 })
  })

  it('7: sets a damaged line aside, counts it, and believes the others', async () => {
    const damages: [string | RegExp, string][] = [
      ['record,2,', 'record,7,'],
      [/(record,2,.*,k)......../, '$100000000'],
      [/(record,2,.*,k)......../, '$1ZZZZZZZZ'],
      [/record,2,.*/, ''],
      [/record,2,.*/, 'x'.repeat(100_000)],
      [/record,2,.*/, '\0'.repeat(512)],
      [/record,2,.*/, stored('record,2', 'lines-000000000007.csv').trimEnd()],
      [/record,2,.*/, stored('skip,2,1,1,0', firstFile, 'another-store').trimEnd()],
      [/record,2,.*/, stored('skip,2,1,1,00').trimEnd()],
      [/record,2,.*/, stored('record,2,c00000000!,0a1b2c3d,1.00,60.0,60.0,,1.00,1.0,,').trimEnd()],
    ]
    for (const [from, to] of damages) {
      const disk = await written(3)
      damage(disk, firstFile, from, to)
      const store = await open(disk)
      expect(store.recovered, String(to).slice(0, 40)).toMatchObject({ lines: 2, damaged: 1, notYet: 0 })
      expect(seqs(await all(store))).toEqual([1, 3])
    }
  })

  it('7: copies a damaged line to damaged.txt with its place, and no more than fits there', async () => {
    const disk = await written(3)
    const offset = disk.text(firstFile).indexOf('record,2,')
    damage(disk, firstFile, 'record,2,', '=cmd,"2",')
    await open(disk)
    expect(disk.text('damaged.txt')).toMatch(
      new RegExp(`^damaged,,${firstFile},${offset},\\d+,%3Dcmd%2C%222%22%2C.*,k[0-9a-f]{8}\n$`),
    )
    const many = await written(3)
    many.put(firstFile, many.text(firstFile) + `${'x'.repeat(300)}\n`.repeat(5000))
    expect((await open(many)).recovered.damaged).toBe(5000)
    expect(many.text('damaged.txt').length).toBeGreaterThan(200_000)
    expect(many.text('damaged.txt').length).toBeLessThanOrEqual(256 * 1024)
  })

  it('8: keeps whole lines of unknown kinds, counts the number of one that has one, and skips the others', async () => {
    const disk = await written(3)
    disk.put(firstFile, disk.text(firstFile) + stored('later,,anything at all') + stored('later,70,x,-5,y'))
    const store = await open(disk)
    expect(store.recovered).toMatchObject({ lines: 4, damaged: 0 })
    expect(store.nextSeq - 2, 'one number for each skip line').toBe(128)
    const lines = await all(store)
    expect(seqs(lines)).toEqual([1, 2, 3, 70])
    expect((lines[3] as OtherLine).text).toBe('later,70,x,-5,y')
  })

  it('9: goes on above lines, file names and what the caller knows, rounded up to a multiple of 64', async () => {
    const lines = await written(70)
    expect((await open(lines)).recovered).toMatchObject({ skippedFrom: 71, skippedTo: 127 })
    const names = await written(3)
    names.put('lines-000000000200.csv', '')
    expect((await open(names)).recovered).toMatchObject({ skippedFrom: 4, skippedTo: 255 })
    const known = await written(3)
    expect((await open(known, { atLeastSeq: 1000 })).recovered).toMatchObject({
      skippedFrom: 4,
      skippedTo: 1023,
    })
    const lost = new MemoryDisk()
    expect((await open(lost, { atLeastSeq: 64 })).recovered).toMatchObject({ skippedFrom: 1, skippedTo: 127 })
  })

  it('9: counts one number for each damaged line, and a skip line says from, to and how many', async () => {
    const disk = await written(62)
    for (const seq of [10, 20, 30]) damage(disk, firstFile, `record,${seq},`, `record,${seq};`)
    const store = await open(disk)
    expect(store.append(record, set)).toBe(132)
    value(await store.flush())
    const skip = (await all(store)).find((line) => line.kind === 'skip')
    expect(skip).toEqual({ kind: 'skip', seq: 128, from: 63, to: 127, damaged: 3 } satisfies SkipLine)
  })

  it('9: accounts with a skip line for each hole that damage left between believed lines, once', async () => {
    const disk = await written(62)
    for (const seq of [10, 11, 30]) damage(disk, firstFile, `record,${seq},`, `record,${seq};`)
    const store = await open(disk)
    value(await store.flush())
    const skips = (await all(store)).filter((line) => line.kind === 'skip')
    expect(skips.map(({ seq, from, to, damaged }) => [seq, from, to, damaged])).toEqual([
      [128, 63, 127, 3],
      [129, 10, 11, 0],
      [130, 30, 30, 0],
    ])
    const again = await open(disk)
    value(await again.flush())
    expect((await all(again)).filter((line) => line.kind === 'skip')).toHaveLength(4)
    const full = await open(disk, { maxBufferedLines: 4 })
    expect(full.buffered).toBe(1)
  })

  it('9: accounts for the first numbers of all where the first sector of the first file is lost', async () => {
    const disk = await written(30)
    disk.spoil(firstFile, 0)
    const store = await open(disk)
    appendRecords(store, 1)
    value(await store.flush())
    const lines = await all(store)
    const [first] = seqs(lines)
    expect(first).toBeGreaterThan(1)
    expect(lines.filter((line) => line.kind === 'skip').at(-1)).toMatchObject({ from: 1, to: first - 1 })
  })

  it('9: keeps the skip lines of a start whole where the oldest waiting lines are dropped', async () => {
    const disk = await written(62)
    for (const seq of [10, 20, 30]) damage(disk, firstFile, `record,${seq},`, `record,${seq};`)
    const store = await open(disk, { maxBufferedLines: 4 })
    appendRecords(store, 50)
    value(await store.flush())
    const covered = (await all(store)).flatMap((line) =>
      line.kind === 'skip' ? [line.seq, ...range(line.from, line.to)] : [line.seq],
    )
    expect(covered.sort((a, b) => a - b)).toEqual(range(1, store.safeSeq))
  })

  it('9: writes no skip line where no number is left out', async () => {
    const store = await open(await written(63))
    expect(store.recovered).toEqual({ lines: 63, damaged: 0, notYet: 0 })
    expect(store.append(record, set)).toBe(64)
  })

  it('10: counts and copies a damaged line once, however often the agent starts', async () => {
    const disk = await written(5)
    damage(disk, firstFile, 'record,2,', 'record;2,')
    const first = await open(disk)
    expect(first.recovered.damaged).toBe(1)
    value(await first.flush())
    const copied = disk.text('damaged.txt')
    const second = await open(disk)
    expect(second.recovered.damaged).toBe(0)
    expect(disk.text('damaged.txt')).toBe(copied)
    value(await second.flush())
    damage(disk, firstFile, /skip,128/, 'skip;128')
    expect((await open(disk)).recovered.damaged).toBe(1)
  })

  it('11: syncs what a killed process left, so that the next power cut leaves it too', async () => {
    const disk = await written(3)
    await disk.append(firstFile, Buffer.from(stored('skip,5,4,4,0')))
    const killed = disk.cut({ unsynced: 'kept' })
    await killed.append(firstFile, Buffer.from(stored('skip,7,6,6,0')))
    const store = await open(killed)
    expect(store.safeSeq).toBe(7)
    expect(seqs(await all(await open(killed.cut(cut))))).toEqual([1, 2, 3, 5, 7])
  })

  it('11: checks older files when they are read, and leaves out what is damaged in them', async () => {
    const disk = await written(25, { linesPerFile: 5 })
    damage(disk, firstFile, 'record,2,', 'record,999,')
    const store = await open(disk)
    expect(store.recovered.damaged).toBe(0)
    expect(seqs(await all(store))).toEqual([1, ...range(3, 25)])
    expect(value(await store.scan(() => undefined))).toMatchObject({ lines: 24, damaged: 1, cut: 0 })
  })

  it('11: looks further back for the last safe line where the newest files hold none', async () => {
    const disk = await written(3)
    for (const name of ['lines-000000000004.csv', 'lines-000000000004-2.csv', 'lines-000000000004-3.csv'])
      disk.put(name, 'file,,1,')
    const store = await open(disk)
    expect(store.safeSeq).toBe(3)
    expect(store.recovered).toMatchObject({ skippedFrom: 4, skippedTo: 63, notYet: 1 })
  })

  it('12: writes header and columns again where they are damaged, and that explains what stood before', async () => {
    const disk = await written(3)
    damage(disk, firstFile, 'columns,,', 'columns,;')
    damage(disk, firstFile, 'file,,1', 'file,,7')
    const store = await open(disk)
    expect(store.recovered).toMatchObject({ lines: 3, damaged: 2, skippedFrom: 4, skippedTo: 63 })
    expect(seqs(await all(store))).toEqual([])
    expect(store.safeSeq).toBe(3)
    appendRecords(store, 2)
    value(await store.flush())
    expect(seqs(await all(store))).toEqual([1, 2, 3, 64, 65, 66])
    expect(disk.text(firstFile).match(/^file,,1/gm)).toHaveLength(1)
    expect(disk.text(firstFile).match(/^columns,,/gm)).toHaveLength(1)
    const later = await open(disk)
    expect(later.recovered).toMatchObject({ damaged: 0 })
    expect(seqs(await all(later))).toEqual([1, 2, 3, 64, 65, 66])
  })

  it('12: finds the columns of a record in another file where those of its own are damaged', async () => {
    const disk = await written(15, { linesPerFile: 5 })
    damage(disk, firstFile, 'columns,,', 'columns,;')
    expect(seqs(value(await (await open(disk)).lines(2, 4)))).toEqual([2, 3, 4])
  })

  it('12: begins an empty or headless file with a header', async () => {
    for (const left of ['', 'file,,1,1111']) {
      const disk = await written(0)
      disk.put(firstFile, left)
      const store = await open(disk)
      appendRecords(store, 1)
      value(await store.flush())
      expect(disk.text(firstFile)).toMatch(
        left ? /^file,,1,1111,cut\nfile,,1,.*\nskip,64,1,63,0,/ : /^file,,1,.*\nskip,64,1,63,0,/,
      )
      expect(seqs(await all(store))).toEqual([64, 65])
    }
  })

  it('13: cuts a short write back to the last whole line, and writes the lines when there is room', async () => {
    const disk = await written(3)
    const before = disk.text(firstFile)
    const store = await open(disk)
    appendRecords(store, 5)
    disk.capacityBytes = disk.text('store.json').length + before.length + 200
    // Somebody else took the room after it was looked at.
    disk.freeBytes = () => Promise.resolve({ ok: true, value: Infinity })
    expect(codeOf(await store.flush())).toBe('disk-full')
    expect(disk.text(firstFile)).toBe(before)
    expect(store).toMatchObject({ buffered: 6, safeSeq: 3 })
    expect(codeOf(await store.flush())).toBe('disk-full')
    disk.capacityBytes = Infinity
    value(await store.flush())
    expect(store).toMatchObject({ buffered: 0, safeSeq: 69 })
    expect(seqs(await all(store))).toEqual([1, 2, 3, ...range(64, 69)])
    expect(value(await disk.list('')).sort()).toEqual([firstFile, 'store.json'])
  })

  it('13: writes as many lines as a disk takes that is nearly full, and leaves the last hundredth of it', async () => {
    const disk = await written(3)
    const store = await open(disk)
    appendRecords(store, 200)
    disk.capacityBytes = 9000
    expect(codeOf(await store.flush())).toBe('disk-full')
    expect(store.safeSeq).toBeGreaterThan(80)
    const free = value(await disk.freeBytes())
    expect(free).toBeGreaterThanOrEqual(90)
    expect(free).toBeLessThan(300)
    expect(codeOf(await store.flush())).toBe('disk-full')
    expect(value(await disk.freeBytes())).toBe(free)
    disk.capacityBytes = Infinity
    value(await store.flush())
    expect(seqs(await all(store))).toEqual([1, 2, 3, ...range(64, 264)])
    expect(value(await disk.list('')).sort()).toEqual([firstFile, 'store.json'])
  })

  it('13: gives a file up that cannot be cut back', async () => {
    const disk = await written(3)
    const store = await open(disk)
    appendRecords(store, 5)
    disk.capacityBytes = disk.text('store.json').length + disk.text(firstFile).length + 200
    disk.freeBytes = () => Promise.resolve({ ok: true, value: Infinity })
    disk.beforeOperation = (operation) => (operation === 'truncate' ? 'disk-error' : undefined)
    expect(codeOf(await store.flush())).toBe('disk-full')
    disk.capacityBytes = Infinity
    value(await store.flush())
    expect(value(await disk.list(''))).toContain('lines-000000000064.csv')
    expect(seqs(await all(store))).toEqual([1, 2, 3, ...range(64, 69)])
    expect(seqs(await all(await open(disk)))).toEqual([1, 2, 3, ...range(64, 69)])
  })

  it('14: never writes a file again whose sync failed, and begins a new one for the lines not yet safe', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    let failing = true
    disk.beforeOperation = (operation) => (operation === 'datasync' && failing ? 'disk-error' : undefined)
    appendRecords(store, 3)
    expect(codeOf(await store.flush())).toBe('disk-error')
    expect(store.safeSeq).toBe(0)
    expect(codeOf(await store.flush())).toBe('disk-error')
    failing = false
    appendRecords(store, 2)
    value(await store.flush())
    expect(disk.usedAfterFailedSync.size).toBe(0)
    // Nothing in the two before was safe.
    expect(value(await disk.list('')).sort()).toEqual(['lines-000000000001-3.csv', 'store.json'])
    expect(store.safeSeq).toBe(5)
    expect(seqs(await all(store))).toEqual([1, 2, 3, 4, 5])
    const after = await open(disk.cut(cut))
    expect(after.safeSeq).toBe(5)
    expect(seqs(await all(after))).toEqual([1, 2, 3, 4, 5])
  })

  it('14: does the same for a file whose name could not be made safe', async () => {
    const disk = new MemoryDisk()
    const store = await open(disk)
    let failing = true
    disk.beforeOperation = (operation) => (operation === 'syncFolder' && failing ? 'disk-error' : undefined)
    appendRecords(store, 3)
    expect(codeOf(await store.flush())).toBe('disk-error')
    expect(store.safeSeq).toBe(0)
    failing = false
    value(await store.flush())
    expect(seqs(await all(await open(disk.cut(cut))))).toEqual([1, 2, 3])
  })

  it('15: drops the oldest waiting line when memory is full, and a skip line covers its number', async () => {
    const disk = await written(3)
    const store = await open(disk, { maxBufferedLines: 10 })
    disk.readOnly = true
    for (let i = 0; i < 30; i++) {
      appendRecords(store, 1)
      if (i % 5 === 0) expect(codeOf(await store.flush())).toBe('disk-read-only')
    }
    expect(store.buffered).toBeLessThanOrEqual(10)
    expect(store.counts()).toMatchObject({ given: 0, held: store.buffered })
    const { taken, held, refused } = store.counts()
    expect(taken).toBe(held + refused['buffer-full'])
    disk.readOnly = false
    appendRecords(store, 1)
    value(await store.flush())
    const lines = await all(store)
    const covered = new Set(lines.map((line) => line.seq))
    for (const line of lines) {
      if (line.kind !== 'skip') continue
      for (const seq of range(line.from, line.to)) {
        expect(covered.has(seq), `${seq} twice`).toBe(false)
        covered.add(seq)
      }
    }
    expect([...covered].sort((a, b) => a - b)).toEqual(range(1, store.safeSeq))
    expect(store.safeSeq).toBe(store.nextSeq - 1)
    expect(lines.filter((line) => line.kind === 'skip').length).toBeLessThanOrEqual(3)
  })

  it('16: opens on a read-only disk: what is there can be read, and lines wait', async () => {
    const disk = await written(3)
    disk.readOnly = true
    const store = await open(disk)
    expect(store.recovered.fault?.code).toBe('disk-read-only')
    expect(seqs(await all(store))).toEqual([1, 2, 3])
    store.append((seq) => note(seq, 'waiting'))
    expect(codeOf(await store.flush())).toBe('disk-read-only')
    disk.readOnly = false
    value(await store.flush())
    expect(seqs(await all(store))).toEqual([1, 2, 3, 64, 65])
    expect(codeOf(await openFails(Object.assign(new MemoryDisk(), { readOnly: true })))).toBe(
      'disk-read-only',
    )
  })
})
