import { describe, expect, it } from 'vitest'
import { isBalanced, monoSeconds, type Disk, type Outcome } from '../../agent/terms/terms.js'
import { Collector, twinWindowSeconds, usualCollector } from '../../agent/collector/collector.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { openArchive } from '../../agent/store/store.js'
import { makePack, topicOf, type PackLine } from '../../agent/uplink/uplink.js'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { text } from '../support/broker-contract.js'
import { asStored, madeBoot, madeDay, madeSet } from '../support/made-lines.js'
import { FaultLog, MadeArchive, topic, UplinkRig } from '../support/uplink-rig.js'

const day = madeDay(11, 180)
const storeId = 'store-0001'

function pack(lines: readonly PackLine[], station = 'st-1', store = storeId): Uint8Array {
  const content = { group: 'oakfield', station, storeId: store, boot: madeBoot, lines, sets: [madeSet] }
  return makePack(content, { encoding: 'cbor', compress: true })
}

/** A collector with its broker, and a hand that publishes packs. */
class Rig extends UplinkRig {
  constructor(options: Parameters<UplinkRig['collect']>[0] = {}) {
    super()
    this.collect(options)
  }

  send(payload: Uint8Array, to = topic('lines')): void {
    this.broker.publish({ topic: to, payload, retained: false }, 'hand')
  }

  async step(seconds = 5): Promise<void> {
    this.now = monoSeconds(this.now + seconds)
    this.collector!.step(this.now)
    do {
      await this.collector!.settled()
      await new Promise((resolve) => setImmediate(resolve))
    } while (this.collector!.busy)
  }

  receipt(station = 'st-1'): unknown {
    const payload = this.broker.retained.get(topicOf('oakfield', station, 'receipt'))
    return payload && (JSON.parse(text(payload)) as { stores: unknown }).stores
  }
}

async function started(options: Parameters<UplinkRig['collect']>[0] = {}): Promise<Rig> {
  const rig = new Rig(options)
  await rig.step()
  return rig
}

describe('a collector', () => {
  it('stores packs in any order and says what it has, with gaps', async () => {
    const rig = await started()
    rig.send(pack(day.slice(20, 30)))
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 0, ranges: [[21, 30]] } })
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 10, ranges: [[21, 30]] } })
    rig.send(pack(day.slice(10, 20)))
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 30, ranges: [] } })
    expect(rig.archive.texts()).toEqual(day.slice(0, 30).map((line) => line.text))
    expect(isBalanced(rig.collector!.counts())).toBe(true)
  })

  it('counts doubles, and answers them with a receipt: the one before may have been lost', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    rig.broker.retained.clear()
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    expect(rig.collector!.lines).toMatchObject({ added: 10, doubles: 10, conflicts: 0 })
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 10, ranges: [] } })
  })

  it('reports the same number with other content, keeps the first, and puts the second aside', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    const other = asStored({
      kind: 'event',
      seq: 5,
      boot: madeBoot,
      mono: monoSeconds(9),
      name: 'forged',
      details: {},
    })
    rig.send(pack([other]))
    await rig.step()
    expect(rig.collector!.lines.conflicts).toBe(1)
    expect(rig.archive.texts()).toEqual(day.slice(0, 10).map((line) => line.text))
    expect(rig.archive.aside).toEqual([other.text])
    expect(rig.collectorFaults.all.at(-1)).toEqual({
      code: 'identity-conflict',
      detail: `st-1, store ${storeId}, line 5`,
    })
  })

  it('takes lines of a stick once, names them in its receipt, and finds doubles when the station sends them', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    const store = { station: 'st-1', storeId }
    const stick = {
      lines: day.slice(5, 40).map(({ line, text: t }) => ({ seq: line.seq, line, text: t })),
      sets: [madeSet],
    }
    const first = await rig.collector!.take(store, stick)
    expect(first).toMatchObject({ ok: true, value: { added: 30, doubles: 5 } })
    expect(await rig.collector!.take(store, stick)).toMatchObject({
      ok: true,
      value: { added: 0, doubles: 35 },
    })
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 40, ranges: [] } })
    rig.send(pack(day.slice(10, 50)))
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 50, ranges: [] } })
    expect(rig.archive.texts()).toEqual(day.slice(0, 50).map((line) => line.text))
  })

  it('keeps both stores of one station that grow by turns, tells it, and names them in the receipt', async () => {
    const rig = await started()
    for (let turn = 0; turn < 3; turn++)
      for (const store of [storeId, 'store-0002']) {
        rig.send(pack(day.slice(turn * 10, turn * 10 + 10), 'st-1', store))
        await rig.step(3600)
      }
    expect(rig.collectorFaults.all.filter(({ code }) => code === 'store-twins')).toEqual([
      { code: 'store-twins', detail: `st-1: stores ${storeId} and store-0002` },
    ])
    expect(rig.receipt()).toEqual({
      [storeId]: { contiguous: 30, ranges: [] },
      'store-0002': { contiguous: 30, ranges: [] },
    })
    const payload = rig.broker.retained.get(topicOf('oakfield', 'st-1', 'receipt'))!
    expect(JSON.parse(text(payload))).toMatchObject({ growing: [storeId, 'store-0002'] })
    rig.send(pack(day.slice(30, 40)))
    await rig.step(twinWindowSeconds + 7200)
    expect(rig.collectorFaults.standing.has('store-twins')).toBe(false)
  })

  it('takes a new card, and an old one put back, for no second station', async () => {
    const rig = await started()
    let at = 0
    for (const store of [storeId, storeId, 'store-0002', 'store-0002', storeId, storeId]) {
      rig.send(pack(day.slice(at, at + 10), 'st-1', store))
      at += 10
      await rig.step(3600)
    }
    expect(rig.collectorFaults.times('store-twins')).toBe(0)
  })

  it('counts the numbers that a skip line covers as received', async () => {
    const rig = await started()
    rig.send(pack([...day.slice(0, 3), asStored({ kind: 'skip', seq: 65, from: 4, to: 64, damaged: 2 })]))
    await rig.step()
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 65, ranges: [] } })
  })

  it('refuses a pack whose station is not that of its topic, and what is no pack, and goes on', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 3)), topicOf('oakfield', 'st-2', 'lines'))
    rig.send(Uint8Array.from([1, 2, 3]))
    rig.send(new Uint8Array(2 << 20))
    rig.send(pack(day.slice(0, 3)))
    await rig.step()
    expect(rig.collector!.counts()).toEqual({
      ...{ taken: 4, given: 1, held: 0 },
      refused: { 'wrong-topic': 1, 'not-cbor': 1, 'too-long': 1 },
    })
    expect(rig.collectorFaults.times('pack-refused')).toBe(3)
    expect(rig.receipt('st-2')).toBeUndefined()
  })

  it('tells what was refused for a day after the last of it', async () => {
    const rig = await started()
    rig.send(Uint8Array.from([1, 2, 3]))
    await rig.step()
    await rig.step(86_000)
    rig.send(Uint8Array.from([1, 2, 3]))
    await rig.step()
    await rig.step(86_000)
    expect(rig.collectorFaults.standing.has('pack-refused')).toBe(true)
    await rig.step(500)
    expect(rig.collectorFaults.standing.has('pack-refused')).toBe(false)
  })

  it('keeps stations and stores apart, and names all stores of a station in its receipt', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 3)))
    rig.send(pack(day.slice(0, 5), 'st-1', 'store-0002'))
    rig.send(pack(day.slice(0, 7), 'st-2', 'store-0003'), topicOf('oakfield', 'st-2', 'lines'))
    await rig.step()
    expect(rig.receipt()).toEqual({
      'store-0001': { contiguous: 3, ranges: [] },
      'store-0002': { contiguous: 5, ranges: [] },
    })
    expect(rig.receipt('st-2')).toEqual({ 'store-0003': { contiguous: 7, ranges: [] } })
  })

  it('names 64 ranges beyond the first gap and no more', async () => {
    const rig = await started()
    for (let n = 1; n < 170; n += 2) rig.send(pack(day.slice(n, n + 1)))
    await rig.step()
    const { contiguous, ranges } = (
      rig.receipt() as Record<string, { contiguous: number; ranges: unknown[] }>
    )[storeId]
    expect(contiguous).toBe(0)
    expect(ranges).toHaveLength(64)
    expect(ranges[0]).toEqual([2, 2])
  })

  it('gives no receipt while the disk is full, keeps the packs, and goes on when there is room', async () => {
    const rig = await started()
    rig.archives.set(storeId, new MadeArchive())
    rig.archive.full = true
    rig.send(pack(day.slice(0, 10)))
    rig.send(pack(day.slice(10, 20)))
    await rig.step()
    expect(rig.receipt()).toBeUndefined()
    expect(rig.collectorFaults.standing).toContain('disk-full')
    expect(rig.collector!.counts()).toMatchObject({ given: 0, held: 2 })
    rig.archive.full = false
    await rig.step(61)
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 20, ranges: [] } })
    expect(rig.collectorFaults.standing).not.toContain('disk-full')
  })

  it('holds a bounded queue: what does not fit is refused and counted', async () => {
    const rig = await started({ mostWaiting: 3 })
    rig.archives.set(storeId, new MadeArchive())
    rig.archive.full = true
    for (let n = 0; n < 10; n++) rig.send(pack(day.slice(n, n + 1)))
    await rig.step()
    expect(rig.collector!.counts()).toEqual({ taken: 10, given: 0, held: 3, refused: { 'queue-full': 7 } })
  })

  it('connects again after a loss, gets what came meanwhile, and says its receipts anew', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 10)))
    await rig.step()
    rig.broker.cut('collector')
    rig.broker.retained.clear()
    rig.send(pack(day.slice(10, 20)))
    await rig.step()
    await rig.step(400)
    expect(rig.receipt()).toEqual({ [storeId]: { contiguous: 20, ranges: [] } })
    expect(rig.collectorFaults.standing.has('link-lost')).toBe(false)
  })

  it('opens a bounded number of stores', async () => {
    const rig = await started({ mostStores: 1 })
    rig.send(pack(day.slice(0, 3)))
    rig.send(pack(day.slice(0, 3), 'st-1', 'store-0002'))
    await rig.step()
    expect(rig.collector!.counts()).toMatchObject({ given: 1, refused: { 'pack-refused': 1 }, held: 0 })
  })

  it('stores what has come before it stops', async () => {
    const rig = await started()
    rig.send(pack(day.slice(0, 10)))
    await Promise.resolve()
    await rig.collector!.stop()
    expect(rig.archive.syncs).toBe(1)
    expect(rig.broker.isConnected('collector')).toBe(false)
  })
})

describe('a collector with the real archive', () => {
  it('has the same lines and the same receipt after a restart, skipped numbers too', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'archive-'))
    try {
      const rig = new Rig()
      const onDisk = (): Collector =>
        new Collector(
          { ...usualCollector, group: 'oakfield' },
          {
            broker: rig.broker.client('collector'),
            random: { next: () => 0.5 },
            faults: new FaultLog(),
            openArchive: async (store) => {
              const disk: Outcome<Disk> = await openFolder(join(folder, store.storeId), { create: true })
              return disk.ok
                ? openArchive({ disk: disk.value, storeId: store.storeId, station: store.station })
                : disk
            },
          },
        )
      rig.collector = onDisk()
      await rig.step()
      rig.send(
        pack([...day.slice(0, 60), asStored({ kind: 'skip', seq: 128, from: 61, to: 127, damaged: 0 })]),
      )
      await rig.step()
      const before = rig.receipt()
      expect(before).toEqual({ [storeId]: { contiguous: 128, ranges: [] } })
      await rig.collector.stop()
      rig.broker.retained.clear()
      rig.collector = onDisk()
      await rig.step()
      rig.send(pack(day.slice(0, 1)))
      await rig.step()
      expect(rig.receipt()).toEqual(before)
      expect(rig.collector.lines).toMatchObject({ added: 0, doubles: 1 })
    } finally {
      rmSync(folder, { recursive: true, force: true })
    }
  })
})
