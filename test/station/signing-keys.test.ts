/** The key of a running station changes: asked for over its control socket, in virtual time. */
import { describe, expect, it } from 'vitest'
import { KeyFolder, keyName } from '../../agent/hardware/station-key.js'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { answerRequest, type StationPorts } from '../../agent/station/station.js'
import { keyFingerprint, verifyFolder, type Verification } from '../../agent/store/store.js'
import { bad, good } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'
import { testKey } from '../store/test-key.js'

const day = 86_400

interface Keyed {
  readonly rig: Rig
  readonly disk: MemoryDisk
  readonly keys: KeyFolder
}

async function started(ports: Partial<StationPorts> = {}): Promise<Keyed> {
  const clock = newClock()
  const disk = new MemoryDisk()
  const keys = new KeyFolder(disk)
  const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 })
  const rig = await startRig(clock, disk, {
    instruments: [{ sensor }],
    options: { readEverySeconds: 10, flushEverySeconds: 300 },
    state: stateFileOn(disk, 'state.json'),
    ports: () => ({
      signingKey: () => keys.current(),
      nextKey: good(keys),
      freeBytes: () => disk.freeBytes(),
      ...ports,
    }),
  })
  return { rig, disk, keys }
}

const ask = (rig: Rig, request: Record<string, unknown> = {}) =>
  answerRequest(rig.station, { do: 'change-key', ...request })
const keyOf = async (keys: KeyFolder) => {
  const key = await keys.current()
  if (!key.ok) throw new Error(key.fault.detail)
  return key.value
}
async function verified(disk: MemoryDisk, expectedKey?: string): Promise<Verification> {
  const found = await verifyFolder(disk, expectedKey === undefined ? {} : { expectedKey })
  if (!found.ok) throw new Error(found.fault.detail)
  return found.value
}
const healthKey = (rig: Rig) => (rig.health() as { seals: { key?: string } }).seals.key

describe('a station that is asked for a new key', () => {
  it('signs with it at once and at the next day’s end, tells it in health, and verify follows from the old one', async () => {
    const { rig, disk, keys } = await started()
    await rig.live(7200)
    const old = await keyOf(keys)
    const answer = await ask(rig)
    const next = await keyOf(keys)
    expect(next.publicKey).not.toBe(old.publicKey)
    expect(answer).toEqual({
      ok: true,
      number: expect.any(Number) as number,
      key: keyFingerprint(next.publicKey),
      before: keyFingerprint(old.publicKey),
      in_force: true,
      vouched_for: true,
      sealed: true,
    })
    expect(healthKey(rig)).toBe(keyFingerprint(next.publicKey))
    await rig.live(day + 120)
    const found = await verified(disk, old.publicKey)
    expect(found.problems).toBe(0)
    expect(found.keyUses).toMatchObject([
      { publicKey: old.publicKey, came: 'first', signatures: 1 },
      // At the change, and at the day's end.
      { publicKey: next.publicKey, came: 'handed-over', signatures: 2, namedBy: answer.number },
    ])
    expect(rig.codes()).toEqual([])
  })

  it('hands over to a key from outside and signs on until that is put in place', async () => {
    for (const nextKey of [undefined, bad('key-given', '/run/credentials/station-key')]) {
      const { rig, disk, keys } = await started(nextKey ? { nextKey } : {})
      await rig.live(7200)
      const old = await keyOf(keys)
      const outside = testKey(9)
      if (nextKey) expect(await ask(rig)).toMatchObject({ ok: false, code: 'key-given' })
      expect(await ask(rig, { to: old.publicKey })).toMatchObject({ ok: false, code: 'key-same' })
      expect(await ask(rig, { to: outside.publicKey })).toMatchObject({
        ok: true,
        in_force: false,
        key: keyFingerprint(outside.publicKey),
      })
      await rig.live(day + 120)
      const before = await verified(disk, old.publicKey)
      expect([before.problems, before.keys]).toEqual([0, [old.publicKey]])
      await rig.store.seal(outside)
      const found = await verified(disk, old.publicKey)
      expect([found.problems, found.keys]).toEqual([0, [old.publicKey, outside.publicKey]])
      expect(found.signedTo).toBe(found.sealedTo)
    }
  })

  it('says so where the present key cannot be had, and goes on without it only when that is asked for', async () => {
    const { rig, disk, keys } = await started()
    await rig.live(3700)
    const old = await keyOf(keys)
    const { rig: other, disk: otherDisk } = await started({
      signingKey: () => Promise.resolve(bad('disk-error', '.station-key holds no key')),
    })
    await other.live(3700)
    expect(other.codes()).toEqual(['disk-error'])
    expect(await ask(other)).toMatchObject({
      ok: false,
      code: 'key-lost',
      words: expect.stringContaining('rotate --lost') as string,
    })
    expect(await ask(other, { to: testKey(9).publicKey, lost: true })).toMatchObject({ code: 'key-lost' })
    expect(await ask(other, { lost: true })).toMatchObject({ ok: true, vouched_for: false, sealed: true })
    expect(other.codes()).toEqual([])
    expect((await verified(otherDisk)).signatures).toBe(1)
    // Where it is there after all, it vouches.
    expect(await ask(rig, { lost: true })).toMatchObject({ ok: true, vouched_for: true })
    expect((await verified(disk, old.publicKey)).problems).toBe(0)
  })

  it('keeps the old one on a disk that takes nothing, and says why', async () => {
    const { rig, disk, keys } = await started()
    await rig.live(3700)
    const old = await keyOf(keys)
    disk.beforeOperation = (operation) => (operation === 'append' ? 'disk-full' : undefined)
    expect(await ask(rig)).toMatchObject({ ok: false, code: 'disk-full' })
    disk.beforeOperation = () => undefined
    await rig.live(day + 120)
    const found = await verified(disk)
    expect([found.problems, found.keys]).toEqual([0, [old.publicKey]])
    expect(disk.text(keyName)).toContain('PRIVATE')
  })

  it('refuses what is no public key, and asks nothing of one that signs nothing', async () => {
    const { rig } = await started({ nextKey: undefined, signingKey: undefined })
    for (const to of ['abc', 7, testKey(9).publicKey.toUpperCase(), {}])
      expect(await ask(rig, { to })).toEqual({
        ok: false,
        words: 'to: expected the 64 hex digits of a public key',
      })
    expect(await ask(rig)).toMatchObject({ ok: false, code: 'key-lost' })
  })

  it('does not let a seal of the old key come behind one of the new key, however many ask at once', async () => {
    const { rig, disk } = await started()
    await rig.live(3700)
    const asked = [ask(rig), ask(rig), rig.station.stop('test'), ask(rig)]
    await Promise.all(asked)
    const found = await verified(disk)
    expect(found.problems, JSON.stringify(found.findings)).toBe(0)
    expect(found.keys.length).toBeGreaterThan(2)
  })
})
