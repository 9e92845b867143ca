/** A whole station on a disk that fails, with its far end: nothing is lost, nothing stands under two numbers, people are told. */
import { describe, expect, it } from 'vitest'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { verifyFolder } from '../../agent/store/store.js'
import { good, monoSeconds, type FaultCode, type StageCounts } from '../../agent/terms/terms.js'
import { FarEnd } from '../support/far-end.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'
import { testKey } from '../store/test-key.js'

const hour = 3600
const day = 24 * hour
const key = testKey()

interface Site {
  readonly disk: MemoryDisk
  readonly far: FarEnd
  readonly rig: Rig
  /** Ten minutes at a time, so that the far end answers in between. */
  live(until: number): Promise<void>
}

async function site(
  disk = new MemoryDisk(),
  far = new FarEnd(),
  clock: VirtualClock = newClock(),
  storeOptions = {},
): Promise<Site> {
  const sensor = new ToldSensor(clock, { pm2_5: (at) => 20 + (at % 600) / 100, frameAt: (n) => n * 10 })
  const rig = await startRig(clock, disk, {
    instruments: [{ sensor }],
    options: { readEverySeconds: 10, flushEverySeconds: 300 },
    state: stateFileOn(disk, 'state.json'),
    storeOptions,
    ports: (store) => ({
      signingKey: () => Promise.resolve(good(key)),
      freeBytes: () => disk.freeBytes(),
      makeUplink: far.uplinkOf(store, clock.bootId),
    }),
  })
  const live = async (until: number): Promise<void> => {
    for (let at = clock.mono() + 600; at < until + 600; at += 600) {
      await rig.live(Math.min(at, until))
      await far.step(clock.mono())
      await rig.station.settled()
    }
  }
  return { disk, far, rig, live }
}

const archiveOf = ({ far, rig }: Site) => far.archives.get(rig.store.storeId)!

/** Each record of the time is at the far end once; the texts there are those of the store wherever it has the number. */
async function expectSameEverywhere(here: Site): Promise<{ archived: number }> {
  const { rig, far } = here
  await rig.store.flush()
  const archived = await archiveOf(here).archive.newest(1_000_000)
  const stored = await rig.store.newest(1_000_000)
  if (!archived.ok || !stored.ok) throw new Error('cannot be read')
  const texts = new Map(stored.value.map(({ line, text }) => [line.seq, text]))
  for (const { line, text } of archived.value) expect(texts.get(line.seq) ?? text).toBe(text)
  expect(far.collectorFaults.filter(({ code }) => code === 'identity-conflict')).toEqual([])
  for (const disk of [here.disk, archiveOf(here).disk]) {
    const found = await verifyFolder(disk)
    expect(found.ok && found.value.findings.filter(({ kind }) => kind !== 'explained')).toEqual([])
  }
  return { archived: archived.value.length }
}

const newestArchived = async (here: Site): Promise<number> => {
  const newest = await archiveOf(here).archive.newest(1)
  return newest.ok ? newest.value[0].line.seq : 0
}

/** Ways in which a disk fails, each taken back by the function it gives. */
const failures: [string, FaultCode, (disk: MemoryDisk) => () => void][] = [
  [
    'turns read-only',
    'disk-read-only',
    (disk) => {
      disk.readOnly = true
      return () => (disk.readOnly = false)
    },
  ],
  [
    'answers each sync with an error',
    'disk-error',
    (disk) => {
      disk.beforeOperation = (operation) => (operation === 'datasync' ? 'disk-error' : undefined)
      return () => (disk.beforeOperation = () => undefined)
    },
  ],
  [
    'is filled by something else, to the last byte',
    'disk-full',
    (disk) => {
      const before = disk.capacityBytes
      disk.capacityBytes = 0
      return () => (disk.capacityBytes = before)
    },
  ],
]

describe('a station whose disk fails', () => {
  it.each(failures)(
    'and %s for five hours measures on, sends straight away, tells it, and writes everything down afterwards',
    async (_, code, fail) => {
      const here = await site()
      const { rig, disk, live, far } = here
      await live(2 * hour)
      const mend = fail(disk)
      await live(2 * hour + 1200)
      expect(rig.codes()).toContain(code)
      expect(far.toldFaults).toContain(code)
      await live(7 * hour)
      const { store } = rig
      expect(store.buffered).toBeGreaterThan(280)
      // Not safe here, and there all the same.
      expect(await newestArchived(here)).toBeGreaterThan(store.safeSeq + 280)
      mend()
      // A disk of errors is tried once an hour at last, and what it spoiled does not pile up.
      await live(8 * hour + 600)
      expect(disk.paths.filter((path) => path.startsWith('lines-')).length).toBeLessThan(4)
      expect(rig.codes()).toEqual([])
      expect(store.buffered).toBe(0)
      await expectSameEverywhere(here)
      expect((await rig.records()).length).toBe(8 * 60 + 10)
      expect(disk.usedAfterFailedSync.size).toBe(0)
    },
  )

  it('and is cut off meanwhile gives no number again that left, and the far end keeps what it got', async () => {
    const first = await site()
    await first.live(2 * hour)
    first.disk.readOnly = true
    await first.live(4 * hour)
    const left = await newestArchived(first)
    expect(left).toBeGreaterThan(first.rig.store.safeSeq + 100)
    const clock = newClock('b0070002-0000-4000-8000-000000000002', startUtc + 5 * hour * 1000)
    const second = await site(first.disk.cut({ unsynced: 'lost' }), first.far, clock)
    expect(second.rig.store.recovered.skippedTo).toBeGreaterThanOrEqual(left)
    await second.live(2 * hour)
    const { archived } = await expectSameEverywhere(second)
    // Four hours, of which two never reached the disk, and two more.
    expect(archived).toBeGreaterThan(6 * 60)
  })

  it('and is stopped while it fails keeps its numbers reserved for the next start', async () => {
    const first = await site()
    await first.live(2 * hour)
    first.disk.readOnly = true
    await first.live(3 * hour)
    const left = await newestArchived(first)
    await first.rig.station.stop('test')
    first.disk.readOnly = false
    const clock = newClock('b0070002-0000-4000-8000-000000000002', startUtc + 4 * hour * 1000)
    const second = await site(first.disk, first.far, clock)
    expect(second.rig.store.nextSeq).toBeGreaterThan(left)
    await second.live(hour)
    await expectSameEverywhere(second)
  })

  it('for longer than memory lasts drops the oldest, counts them, and still has one text for each number', async () => {
    const here = await site(undefined, undefined, undefined, { maxBufferedLines: 120 })
    const { rig, disk, live } = here
    await live(2 * hour)
    disk.readOnly = true
    await live(12 * hour)
    expect(rig.store.buffered).toBeLessThanOrEqual(240)
    disk.readOnly = false
    await live(13 * hour)
    const { store } = rig.health() as { store: StageCounts }
    expect(store.refused['buffer-full']).toBeGreaterThan(400)
    expect(store.taken).toBe(store.given + store.held + store.refused['buffer-full'])
    // The far end has them all the same.
    const { archived } = await expectSameEverywhere(here)
    expect(archived).toBeGreaterThan(12.5 * 60)
  })

  it('from its first minute, before any number could be reserved, lets no line leave, and loses none', async () => {
    const disk = new MemoryDisk()
    const first = await site(disk)
    await first.live(hour)
    await first.rig.station.stop('test')
    const clock = newClock('b0070002-0000-4000-8000-000000000002', startUtc + 2 * hour * 1000)
    disk.readOnly = true
    const second = await site(disk, first.far, clock)
    await second.live(hour)
    expect(second.far.toldFaults).toContain('disk-read-only')
    expect(await newestArchived(second)).toBeLessThanOrEqual(second.rig.store.safeSeq)
    disk.readOnly = false
    await second.live(2 * hour)
    await expectSameEverywhere(second)
    expect((await second.rig.records()).length).toBe(180)
  })

  it('and takes three seconds for each sync loses no frame and no record', async () => {
    const disk = new MemoryDisk()
    disk.delay = (operation) =>
      operation === 'datasync' ? new Promise((resolve) => setTimeout(resolve, 3)) : undefined
    const here = await site(disk)
    await here.live(2 * hour)
    await expectSameEverywhere(here)
    expect((await here.rig.records()).length).toBe(120)
  })
})

describe('a station whose disk fills up', () => {
  it('removes what is safe away, oldest first, says so in signed lines, and never what is not', async () => {
    const disk = new MemoryDisk()
    disk.capacityBytes = 400_000
    const here = await site(disk, undefined, undefined, { linesPerFile: 256 })
    const { rig, live } = here
    await live(2 * day)
    const { seals } = rig.health() as { seals: { gone?: [number, number]; sealed_to: number } }
    console.info(`two days on a disk for one: gone ${String(seals.gone)}, ${disk.paths.length} files left`)
    expect(seals.gone?.[0]).toBe(1)
    expect(rig.codes()).toEqual([])
    const found = await verifyFolder(disk, { expectedKey: key.publicKey })
    expect(found.ok && found.value).toMatchObject({ problems: 0, gone: [seals.gone] })
    // The far end has all of it, the removed as well.
    const { archived } = await expectSameEverywhere(here)
    expect(archived).toBeGreaterThan(2 * 24 * 60)
  })

  it('keeps what the far end has not confirmed, tells that it is short, and goes on when the link is back', async () => {
    const disk = new MemoryDisk()
    disk.capacityBytes = 300_000
    const here = await site(disk, undefined, undefined, { linesPerFile: 256 })
    const { rig, live, far } = here
    await live(6 * hour)
    far.broker.trouble.refuseConnect = { code: 'broker-unreachable', detail: 'made' }
    far.broker.cut('rig')
    await live(34 * hour)
    expect(rig.codes()).toEqual(expect.arrayContaining(['disk-short']))
    expect(disk.paths).toContain('lines-000000000257.csv')
    far.broker.trouble.refuseConnect = undefined
    await live(40 * hour)
    expect(rig.codes()).toEqual([])
    await expectSameEverywhere(here)
    expect(disk.paths).not.toContain('lines-000000000257.csv')
    expect((await archiveOf(here).archive.newest(100_000)).ok).toBe(true)
  })

  it('without any link keeps the newest', async () => {
    const disk = new MemoryDisk()
    disk.capacityBytes = 200_000
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 })
    const rig = await startRig(clock, disk, {
      instruments: [{ sensor }],
      options: { readEverySeconds: 10, flushEverySeconds: 300 },
      state: stateFileOn(disk, 'state.json'),
      storeOptions: { linesPerFile: 256 },
      ports: () => ({ freeBytes: () => disk.freeBytes(), signingKey: () => Promise.resolve(good(key)) }),
    })
    await rig.live(monoSeconds(2 * day))
    expect(rig.codes()).toEqual([])
    const records = await rig.records()
    expect(records.at(-1)!.mono).toBeGreaterThan(2 * day - 120)
    const found = await verifyFolder(disk, { expectedKey: key.publicKey })
    expect(found.ok && found.value).toMatchObject({ problems: 0 })
  })
})
