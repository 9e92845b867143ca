import { describe, expect, it } from 'vitest'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { verifyFolder, type Verification } from '../../agent/store/store.js'
import { bad, good, type Outcome, type SigningKey } from '../../agent/terms/terms.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'
import { testKey } from '../store/test-key.js'

const hour = 3600
const day = 24 * hour
const key = testKey()

interface Given {
  readonly disk?: MemoryDisk
  readonly clock?: ReturnType<typeof newClock>
  readonly offsetMinutes?: number
  readonly signingKey?: () => Promise<Outcome<SigningKey>>
}

/** A station that reads once in ten seconds: seals do not depend on readings. */
function started(given: Given = {}): Promise<Rig> {
  const { disk = new MemoryDisk(), clock = newClock(), offsetMinutes = 0 } = given
  const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 })
  return startRig(clock, disk, {
    instruments: [{ sensor }],
    options: { readEverySeconds: 10, flushEverySeconds: 300, standardOffsetMinutes: offsetMinutes },
    state: stateFileOn(disk, 'state.json'),
    ports: () => ({
      signingKey: given.signingKey ?? (() => Promise.resolve(good(key))),
      freeBytes: () => disk.freeBytes(),
    }),
  })
}

async function verified(disk: MemoryDisk): Promise<Verification> {
  const found = await verifyFolder(disk, { expectedKey: key.publicKey })
  if (!found.ok) throw new Error(found.fault.detail)
  return found.value
}

/** Minutes of the day, in UTC, at whose ends seals and signed seals were made. */
async function sealMinutes(rig: Rig): Promise<{ seals: number[]; signed: number[] }> {
  const seals: number[] = []
  const signed: number[] = []
  let minute = 0
  for (const line of await rig.lines()) {
    if (line.kind === 'record') minute = Math.round(((line.utc ?? startUtc) - startUtc) / 60_000) + 1
    if (line.kind !== 'other') continue
    seals.push(minute)
    if (/,p[0-9a-f]{64},/.test(line.text)) signed.push(minute)
  }
  return { seals: [...new Set(seals)], signed: [...new Set(signed)] }
}

describe('a station seals what it holds', () => {
  it('at each hour, signs at the day’s end, and syncs and saves within its budget', async () => {
    const disk = new MemoryDisk()
    let syncs = 0
    let saves = 0
    disk.beforeOperation = (operation, path) => {
      if (operation === 'datasync' || operation === 'syncFolder') syncs++
      if (operation === 'rename' && path === 'state.json.tmp') saves++
      return undefined
    }
    const rig = await started({ disk })
    await rig.live(day)
    const before = { syncs, saves }
    await rig.live(2 * day + 60)
    console.info(`a day: ${syncs - before.syncs} syncs, ${saves - before.saves} saves`)
    expect(syncs - before.syncs).toBeLessThanOrEqual(400)
    expect(saves - before.saves).toBeLessThanOrEqual(48)
    const { seals, signed } = await sealMinutes(rig)
    expect(seals.slice(0, 48)).toEqual(Array.from({ length: 48 }, (_, i) => (i + 1) * 60))
    // The first seal of a start is signed too.
    expect(signed).toEqual([60, 1440, 2880])
    const found = await verified(disk)
    expect(found).toMatchObject({ problems: 0, keys: [key.publicKey] })
    expect(found.signedTo).toBeGreaterThan(2850)
    const { seals: told } = rig.health() as { seals: Record<string, number> }
    expect(told).toMatchObject({ sealed_to: found.sealedTo, signed_to: found.signedTo })
    expect(told.seal_age_s).toBeLessThanOrEqual(120)
    expect(rig.codes()).toEqual([])
  })

  it('at the end of the day of its zone, also one whose offset is no whole hour', async () => {
    const rig = await started({ offsetMinutes: 330 })
    await rig.live(day)
    // 18:30 UTC is midnight at +05:30; hours end at half past.
    const { seals, signed } = await sealMinutes(rig)
    expect(signed).toEqual([60, 18 * 60 + 30])
    expect(seals.slice(1).every((minute) => minute % 60 === 30)).toBe(true)
  })

  it('by monotonic hours and days while the clock is not trusted', async () => {
    const clock = newClock()
    clock.source = undefined
    const disk = new MemoryDisk()
    const rig = await started({ clock, disk })
    await rig.live(day + 120)
    const seals = (await rig.lines()).filter((line) => line.kind === 'other')
    expect(seals.length).toBeGreaterThanOrEqual(24)
    const found = await verified(disk)
    expect(found).toMatchObject({ problems: 0, signatures: 2 })
  })

  it('goes on unsigned where the key cannot be had, tells it, and signs the next day', async () => {
    let isBroken = true
    const disk = new MemoryDisk()
    const signingKey = () => Promise.resolve(isBroken ? bad('disk-error', '.station-key (EIO)') : good(key))
    const rig = await started({ disk, signingKey })
    await rig.live(day + 120)
    expect(rig.codes()).toEqual(['disk-error'])
    isBroken = false
    await rig.live(2 * day + 120)
    expect(rig.codes()).toEqual([])
    expect(await verified(disk)).toMatchObject({ problems: 0, signatures: 1 })
  })

  it('seals what is left when it stops, and goes on with the chain after it', async () => {
    const disk = new MemoryDisk()
    const first = await started({ disk })
    await first.live(1800)
    await first.station.stop('test')
    const stopped = await verified(disk)
    // Only the seal itself is left.
    expect(stopped.sealedTo).toBe(stopped.lastSeq! - 1)
    const clock = newClock('b0070002-0000-4000-8000-000000000002', startUtc + 7200_000)
    const second = await started({ disk, clock })
    // A clean stop leaves no number out but those to the next multiple of 64.
    expect(second.store.nextSeq - stopped.lastSeq!).toBeLessThan(80)
    await second.live(day)
    const found = await verified(disk)
    expect(found).toMatchObject({ problems: 0, signatures: 3 })
    expect(found.seals).toBeGreaterThan(20)
  })

  it('leaves out the numbers that its checkpoint had reserved where it was cut off', async () => {
    const disk = new MemoryDisk()
    const first = await started({ disk })
    await first.live(5400)
    const after = disk.cut({ unsynced: 'lost' })
    const second = await started({ disk: after, clock: newClock('b0070002-0000-4000-8000-000000000002') })
    expect(second.store.nextSeq).toBeGreaterThan(4096)
    await second.live(5400)
    const third = await started({ disk: after, clock: newClock('b0070003-0000-4000-8000-000000000003') })
    expect(third.store.nextSeq).toBeGreaterThan(2 * 4096)
    const found = await verified(after)
    expect(found.problems, JSON.stringify(found.findings)).toBe(0)
  })
})
