import { describe, expect, it } from 'vitest'
import { Spool, type Segment } from '../../agent/collector/spool.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { codeOf, value } from '../store/support.js'

const bytes = (words: string): Uint8Array => Buffer.from(words)
const texts = (left: readonly { topic: string; payload: Uint8Array }[]): string[] =>
  left.map(({ topic, payload }) => `${topic}=${Buffer.from(payload).toString()}`)
const open = async (disk: MemoryDisk, segmentBytes?: number) => value(await Spool.open(disk, segmentBytes))
const settled = async (): Promise<void> => {
  for (let i = 0; i < 50; i++) await new Promise((resolve) => setImmediate(resolve))
}

describe('a spool', () => {
  it('gives back after a power cut what was added, in order, to the byte', async () => {
    const disk = new MemoryDisk()
    const { spool, left } = await open(disk)
    expect(left).toEqual([])
    const payload = Uint8Array.from({ length: 5000 }, (_, i) => (i * 7919) & 255)
    value(await spool.add('motepost/1/g/a/lines', payload))
    value(await spool.add('motepost/1/g/b/lines', bytes('')))
    const again = await open(disk.cut({ unsynced: 'lost' }))
    expect(again.left.map(({ topic }) => topic)).toEqual(['motepost/1/g/a/lines', 'motepost/1/g/b/lines'])
    expect(Buffer.compare(again.left[0].payload, payload)).toBe(0)
  })

  it('syncs once for all that came while the sync before it ran', async () => {
    const disk = new MemoryDisk()
    let syncs = 0
    let letGo: () => void = () => undefined
    disk.delay = (operation) => {
      if (operation !== 'datasync') return undefined
      syncs++
      return new Promise<void>((resolve) => (letGo = resolve))
    }
    const { spool } = await open(disk)
    const first = spool.add('t', bytes('first'))
    await settled()
    const others = Array.from({ length: 200 }, (_, i) => spool.add('t', bytes(String(i))))
    letGo()
    await first
    await settled()
    letGo()
    for (const outcome of await Promise.all(others)) value(outcome)
    expect(syncs).toBe(2)
  })

  it('cuts off what the archives have, and does not grow while some of it always waits', async () => {
    const disk = new MemoryDisk()
    const { spool } = await open(disk, 1000)
    let before = value(await spool.add('t', bytes('x'.repeat(100))))
    let most = 0
    for (let i = 0; i < 500; i++) {
      const place = value(await spool.add('t', bytes('x'.repeat(100))))
      spool.release([before])
      before = place
      await settled()
      most = Math.max(most, ...disk.paths.map((path) => disk.text(path).length))
      expect(disk.paths.length).toBeLessThanOrEqual(2)
    }
    expect(most).toBeLessThan(1300)
    spool.release([before])
    await settled()
    expect(disk.paths.map((path) => disk.text(path).length)).toEqual([0])
    expect((await open(disk)).left).toEqual([])
  })

  it('passes over damage, and finds the packs on both sides of it', async () => {
    const disk = new MemoryDisk()
    const { spool } = await open(disk)
    for (const words of ['one', 'two', 'mps1 three', 'four']) value(await spool.add('t', bytes(words)))
    const whole = Buffer.from(value(await disk.read('packs-1', 0, 9999))).toString('latin1')
    const put = (content: string): void => disk.put('packs-1', Buffer.from(content, 'latin1'))
    const entry = whole.indexOf('mps1', 4)
    for (const spoiled of [
      whole.replace('two', 'tw0'),
      whole.replace('two', 'tw'),
      whole.slice(0, entry + 5) + 'x' + whole.slice(entry + 6),
      whole.slice(0, entry + 11) + '\u00ff' + whole.slice(entry + 12),
    ]) {
      put(spoiled)
      expect(texts((await open(disk)).left)).toEqual(['t=one', 't=mps1 three', 't=four'])
    }
    put(whole.slice(0, -2))
    expect(texts((await open(disk)).left)).toEqual(['t=one', 't=two', 't=mps1 three'])
  })

  it('says why a disk does not take it, and writes nothing behind what it may have spoiled', async () => {
    const disk = new MemoryDisk()
    const { spool } = await open(disk)
    value(await spool.add('t', bytes('one')))
    for (const fault of ['disk-full', 'disk-error', 'disk-read-only'] as const)
      for (const failing of ['append', 'datasync'] as const) {
        disk.beforeOperation = (operation) => (operation === failing ? fault : undefined)
        expect(codeOf(await spool.add('t', bytes('lost')))).toBe(fault)
        disk.beforeOperation = () => undefined
        value(await spool.add('t', bytes(`after ${failing} ${fault}`)))
      }
    disk.capacityBytes = disk.paths.reduce((sum, path) => sum + disk.text(path).length, 0) + 10
    expect(codeOf(await spool.add('t', bytes('x'.repeat(100))))).toBe('disk-full')
    expect([...disk.usedAfterFailedSync]).toEqual([])
    const left = texts((await open(disk.cut({ unsynced: 'lost' }))).left)
    expect(left).toHaveLength(7)
    expect(left).not.toContain('t=lost')
  })

  it('has what was added and not released after any order of both, failures and power cuts', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const pick = (n: number): number => Math.floor(random.next() * n)
    let disk = new MemoryDisk()
    let { spool } = await open(disk, 600)
    let waiting: { text: string; place: Segment }[] = []
    const released = new Set<string>()
    let n = 0
    for (let step = 0; step < 1500; step++) {
      disk.beforeOperation = () =>
        pick(30) === 0 ? (['disk-error', 'disk-full'] as const)[pick(2)] : undefined
      const group = Array.from({ length: 1 + pick(4) }, () => `p${n++}`)
      const added = await Promise.all(group.map((text) => spool.add('t', bytes(text))))
      disk.beforeOperation = () => undefined
      for (const [i, one] of added.entries()) if (one.ok) waiting.push({ text: group[i], place: one.value })
      const gone = waiting.splice(0, pick(waiting.length + 1))
      for (const { text } of gone) released.add(text)
      spool.release(gone.map(({ place }) => place))
      if (pick(6) > 0) continue
      if (pick(2) === 0) disk.powerFailsAfter = disk.operations + pick(4)
      if (pick(2) === 0) await settled()
      const cuts: Cut[] = [
        { unsynced: 'kept' },
        { unsynced: 'lost' },
        { unsynced: 'torn', keptBytes: pick(300), rest: 'zeros' },
        { unsynced: 'mixed', sectors: () => pick(2) === 0, size: 'all', names: () => pick(2) === 0 },
      ]
      disk = disk.cut(cuts[pick(cuts.length)])
      const again = await open(disk, 600)
      const found = again.left.map(({ payload }) => Buffer.from(payload).toString())
      expect(
        waiting.filter(({ text }) => !found.includes(text)),
        `step ${step}`,
      ).toEqual([])
      const known = new Set([...waiting.map(({ text }) => text), ...released])
      // Of a group whose sync failed some may stand there all the same: they come again, and are doubles.
      expect(found.filter((text) => !known.has(text) && Number(text.slice(1)) >= n)).toEqual([])
      spool = again.spool
      waiting = again.left.map(({ payload, place }) => ({ text: Buffer.from(payload).toString(), place }))
    }
    expect(released.size).toBeGreaterThan(1000)
  })
})
