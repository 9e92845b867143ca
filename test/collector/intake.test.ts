/** The way of packs from the broker to the archives, over kills, power cuts and failing disks. */
import { describe, expect, it } from 'vitest'
import { Collector, Spool, usualCollector } from '../../agent/collector/collector.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { openArchive, readStoreFolder } from '../../agent/store/store.js'
import { isBalanced, monoSeconds, type FaultCode } from '../../agent/terms/terms.js'
import { makePack, topicOf } from '../../agent/uplink/uplink.js'
import { madeBoot, madeDay, madeSet } from '../support/made-lines.js'
import { FaultLog } from '../support/uplink-rig.js'
import { value } from '../store/support.js'

const day = madeDay(11, 400)
const group = 'oakfield'
const stations = ['st-1', 'st-2', 'st-3']

/** One machine with its disks: an archive each, and one for the spool. */
class Machine {
  readonly broker = new MemoryBroker()
  readonly faults = new FaultLog()
  disks = new Map<string, MemoryDisk>()
  collector: Collector | undefined
  now = monoSeconds(1000)

  disk(name: string): MemoryDisk {
    const disk = this.disks.get(name) ?? new MemoryDisk(name)
    this.disks.set(name, disk)
    return disk
  }

  /** @returns false where the power went off at once. */
  async start(options: Partial<typeof usualCollector> = {}): Promise<boolean> {
    const spooled = await Spool.open(this.disk('spool'), 2000)
    if (!spooled.ok) return false
    this.collector = new Collector(
      { ...usualCollector, ...options, group },
      {
        broker: this.broker.client('collector'),
        random: { next: () => 0.5 },
        faults: this.faults,
        spooled: spooled.value,
        openArchive: ({ station, storeId }) =>
          openArchive({
            ...{ disk: this.disk(storeId), storeId, station, linesRange: 50, indexEveryBytes: 400 },
          }),
      },
    )
    await this.step()
    return true
  }

  send(station: string, from: number, to: number): void {
    const content = { group, station, storeId: `store-${station}`, boot: madeBoot, sets: [madeSet] }
    const pack = { ...content, lines: day.slice(from - 1, to) }
    const payload = makePack(pack, { encoding: 'cbor', compress: false })
    this.broker.publish({ topic: topicOf(group, station, 'lines'), payload, retained: false }, 'hand')
  }

  async step(seconds = 5): Promise<void> {
    this.now = monoSeconds(this.now + seconds)
    this.collector?.step(this.now)
    await this.quiet()
  }

  async quiet(): Promise<void> {
    for (let i = 0; i < 6; i++) {
      await this.collector?.settled()
      await new Promise((resolve) => setImmediate(resolve))
    }
  }

  /** The process is gone, or the power: what it had in memory is lost, and what it does from now on nobody sees. */
  kill(cut: (name: string) => Cut): void {
    this.collector = undefined
    for (const [name, disk] of this.disks) this.disks.set(name, disk.cut(cut(name)))
    this.broker.cut('collector')
  }

  /** Numbers that the retained receipt of a station names. */
  received(station: string): number[] {
    const payload = this.broker.retained.get(topicOf(group, station, 'receipt'))
    if (!payload) return []
    const { stores } = JSON.parse(Buffer.from(payload).toString()) as {
      stores: Record<string, { contiguous: number; ranges: [number, number][] }>
    }
    const { contiguous, ranges } = stores[`store-${station}`]
    return [[1, contiguous] as const, ...ranges].flatMap(([from, to]) => numbers(from, to))
  }

  /** Numbers on the disk of an archive as a reader finds them; one that stands twice is there twice. */
  async archived(station: string): Promise<number[]> {
    const disk = this.disks.get(`store-${station}`)
    if (!disk || disk.paths.length === 0) return []
    const folder = value(await readStoreFolder(disk))
    return value(await folder.reader.lines(0, 1e6)).map(({ line }) => line.seq)
  }
}

const numbers = (from: number, to: number): number[] =>
  Array.from({ length: Math.max(0, to - from + 1) }, (_, i) => from + i)

describe('packs on their way to the archives', () => {
  it('are not acknowledged before they are in the spool, and come again after a kill', async () => {
    const machine = new Machine()
    await machine.start()
    let letGo: () => void = () => undefined
    machine.disk('spool').delay = (operation) =>
      operation === 'datasync' ? new Promise<void>((resolve) => (letGo = resolve)) : undefined
    machine.send('st-1', 1, 10)
    await new Promise((resolve) => setImmediate(resolve))
    machine.kill(() => ({ unsynced: 'lost' }))
    letGo()
    await machine.start()
    expect(await machine.archived('st-1')).toEqual(numbers(1, 10))
    expect(machine.collector!.counts()).toMatchObject({ taken: 1, given: 1, held: 0 })
  })

  it('are found in the spool by the next start when they were acknowledged and in no archive yet', async () => {
    const machine = new Machine()
    await machine.start()
    const archive = machine.disk('store-st-1')
    archive.beforeOperation = () => 'disk-full'
    machine.send('st-1', 1, 10)
    machine.send('st-2', 1, 10)
    await machine.step()
    expect(machine.received('st-1')).toEqual([])
    machine.kill(() => ({ unsynced: 'lost' }))
    // The broker has forgotten everything: it had been told that they came.
    Object.assign(machine, { broker: new MemoryBroker() })
    await machine.start()
    expect(await machine.archived('st-1')).toEqual(numbers(1, 10))
    expect(await machine.archived('st-2')).toEqual(numbers(1, 10))
    expect(machine.received('st-1')).toEqual(numbers(1, 10))
    expect(isBalanced(machine.collector!.counts())).toBe(true)
  })

  it('are acknowledged all the same when the spool has no room, and told so, until it has', async () => {
    const machine = new Machine()
    await machine.start()
    machine.disk('spool').beforeOperation = () => 'disk-full'
    machine.send('st-1', 1, 10)
    await machine.step()
    expect(machine.faults.standing).toContain('spool-refused')
    expect(await machine.archived('st-1')).toEqual(numbers(1, 10))
    expect(machine.received('st-1')).toEqual(numbers(1, 10))
    machine.disk('spool').beforeOperation = () => undefined
    await machine.step(61)
    machine.send('st-1', 11, 12)
    await machine.step()
    expect(machine.faults.standing.has('spool-refused')).toBe(false)
    machine.broker.cut('collector')
    await machine.step(400)
    expect(machine.collector!.counts()).toMatchObject({ taken: 2, given: 2 })
  })

  it('are held back at the broker when more come than archives take, and none is refused', async () => {
    const machine = new Machine()
    await machine.start({ mostWaiting: 8 } as object)
    let unacknowledged = 0
    let most = 0
    // A broker's window: no more than two are under way at one time.
    const archive = machine.disk('store-st-1')
    const waiting: (() => void)[] = []
    archive.delay = (operation) =>
      operation === 'datasync' ? new Promise<void>((resolve) => waiting.push(resolve)) : undefined
    const intake = (
      machine.collector as unknown as {
        intake: { take(topic: string, payload: Uint8Array): Promise<void>; length: number }
      }
    ).intake
    const content = { group, station: 'st-1', storeId: 'store-st-1', boot: madeBoot, sets: [madeSet] }
    for (let n = 0; n < 40; n++) {
      const payload = makePack(
        { ...content, lines: day.slice(n, n + 1) },
        { encoding: 'cbor', compress: false },
      )
      unacknowledged++
      void intake.take(topicOf(group, 'st-1', 'lines'), payload).then(() => unacknowledged--)
      for (let turns = 0; unacknowledged > 1 && turns < 400; turns++) {
        await new Promise((resolve) => setImmediate(resolve))
        if (turns % 3 === 2) waiting.shift()?.()
      }
      most = Math.max(most, intake.length)
    }
    expect(most).toBeGreaterThan(3)
    expect(most).toBeLessThanOrEqual(8)
    expect(machine.collector!.counts().refused).toEqual({})
  })

  it('are in the archive once, and in no receipt before, after any kills, cuts and failing disks', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const pick = (n: number): number => Math.floor(random.next() * n)
    const machine = new Machine()
    const sent = new Map<string, Set<number>>(stations.map((name) => [name, new Set()]))
    const kills = { done: 0, found: 0 }
    const fails = (odds: number): void => {
      for (const name of ['spool', ...stations.map((one) => `store-${one}`)])
        machine.disk(name).beforeOperation = (): FaultCode | undefined =>
          odds > 0 && pick(odds) === 0 ? (['disk-error', 'disk-full'] as const)[pick(2)] : undefined
    }
    await machine.start()
    for (let step = 0; step < 250; step++) {
      for (let n = pick(4); n > 0; n--) {
        const station = stations[pick(3)]
        const from = 1 + pick(380)
        const to = from + pick(12)
        machine.send(station, from, to)
        for (const seq of numbers(from, to)) sent.get(station)!.add(seq)
      }
      if (pick(5) === 0) fails([0, 6, 25][pick(3)])
      // Killed between two steps, or somewhere within one.
      const turns = pick(25)
      if (pick(4) > 0) await machine.step(pick(8) === 0 ? 90 : 5)
      else {
        machine.collector!.step(machine.now)
        for (let turn = 0; turn < turns; turn++) await Promise.resolve()
      }
      if (pick(5) > 0) continue
      fails(0)
      const cuts: Cut[] = [
        { unsynced: 'kept' },
        { unsynced: 'lost' },
        { unsynced: 'torn', keptBytes: pick(500), rest: 'zeros' },
        { unsynced: 'mixed', sectors: () => pick(2) === 0, size: 'all', names: () => pick(2) === 0 },
      ]
      const cut = cuts[pick(cuts.length)]
      machine.kill(() => cut)
      kills.done++
      for (const station of stations) {
        const archived = new Set(await machine.archived(station))
        expect(
          machine.received(station).filter((seq) => !archived.has(seq)),
          `step ${step}`,
        ).toEqual([])
      }
      await machine.start()
      if (machine.collector!.counts().taken > 0) kills.found++
    }
    fails(0)
    for (let i = 0; i < 20; i++) await machine.step(100)
    for (const station of stations) {
      const archived = await machine.archived(station)
      expect(archived).toEqual([...new Set(archived)])
      expect(machine.received(station)).toEqual(archived)
      // What was acknowledged while the spool had no disk may be lost by a kill: no receipt names it, so its station sends it again.
      const lost = [...sent.get(station)!].filter((seq) => !archived.includes(seq))
      for (const seq of lost) machine.send(station, seq, seq)
    }
    await machine.step()
    for (const station of stations)
      expect(await machine.archived(station)).toEqual([...sent.get(station)!].sort((a, b) => a - b))
    expect(isBalanced(machine.collector!.counts())).toBe(true)
    console.info(kills)
  })

  it('are all in the archive after any kills and power cuts where the disks are well: nothing is sent again', async () => {
    const seed = Date.now() % 2 ** 31
    console.info(`seed ${seed}`)
    const random = seededRandom(seed)
    const pick = (n: number): number => Math.floor(random.next() * n)
    const machine = new Machine()
    const sent = new Map<string, Set<number>>(stations.map((name) => [name, new Set()]))
    await machine.start()
    for (let step = 0; step < 200; step++) {
      for (let n = pick(4); n > 0; n--) {
        const station = stations[pick(3)]
        const from = 1 + pick(380)
        machine.send(station, from, from + 5)
        for (const seq of numbers(from, from + 5)) sent.get(station)!.add(seq)
      }
      if (pick(2) === 0) await machine.step()
      else {
        machine.collector!.step(machine.now)
        for (let turns = pick(60); turns > 0; turns--) await Promise.resolve()
      }
      if (pick(3) > 0) continue
      const cuts: Cut[] = [
        { unsynced: 'kept' },
        { unsynced: 'lost' },
        { unsynced: 'torn', keptBytes: pick(500), rest: 'missing' },
      ]
      const cut = cuts[pick(cuts.length)]
      machine.kill(() => cut)
      await machine.start()
    }
    await machine.step(100)
    for (const station of stations)
      expect(await machine.archived(station), station).toEqual([...sent.get(station)!].sort((a, b) => a - b))
  })
})
