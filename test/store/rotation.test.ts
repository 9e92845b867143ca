/** A station's key is changed on a disk that loses its power at every operation, and on one that is full, fails or lost the key. */
import { describe, expect, it } from 'vitest'
import { KeyFolder, keyName, nextKeyName } from '../../agent/hardware/station-key.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import {
  announceKey,
  finishRotation,
  handOver,
  keyChange,
  keyLinesOf,
  rotateKey,
  verifyFolder,
  type MakeEvent,
  type Store,
  type Verification,
} from '../../agent/store/store.js'
import type { SigningKey } from '../../agent/terms/terms.js'
import { codeOf, note, open, record, set, value } from './support.js'
import { cutsOf } from './sweep.js'

const event: MakeEvent = (seq, details) => ({ ...note(seq, ''), name: 'station-key', details })

/** A store with a signed seal and the key that signed it, all of it safe. */
async function signedStore(): Promise<{ disk: MemoryDisk; store: Store; key: SigningKey }> {
  const disk = new MemoryDisk()
  const store = await open(disk)
  const key = value(await new KeyFolder(disk).current())
  for (let i = 0; i < 5; i++) store.append(record, set)
  value(await store.seal(key))
  return { disk, store, key }
}

const verified = async (disk: MemoryDisk): Promise<Verification> => value(await verifyFolder(disk))

/** What a start does with the keys of a folder. */
async function started(disk: MemoryDisk): Promise<{ store: Store; key: SigningKey }> {
  const store = await open(disk)
  const keys = new KeyFolder(disk)
  value(await finishRotation(store, keys))
  return { store, key: value(await keys.current()) }
}

/** A copy of a disk that works on. */
const copyOf = (disk: MemoryDisk): MemoryDisk => {
  const copy = new MemoryDisk()
  for (const path of disk.paths) copy.put(path, disk.text(path))
  return copy
}

/** One rotation as a station does it, on a disk whose power goes off after so many operations. */
async function rotatedUntil(
  base: MemoryDisk,
  operations: number,
): Promise<{ disk: MemoryDisk; isDone: boolean }> {
  const disk = copyOf(base)
  const { store, key } = await started(disk)
  disk.powerFailsAfter = disk.operations + operations
  store.append(record, set)
  const rotated = await rotateKey(store, key, new KeyFolder(disk), event)
  if (rotated.ok) await store.seal(rotated.value.key)
  return { disk, isDone: rotated.ok }
}

describe('a change of the key', () => {
  it('leaves the old or the new key in force after a power cut at any operation, and no break for verify', async () => {
    const { disk: base, key: old } = await signedStore()
    const whole = await rotatedUntil(base, Infinity)
    const before = copyOf(base)
    await started(before)
    const operations = whole.disk.operations - before.operations
    const seed = Date.now() % 2 ** 31
    const random = seededRandom(seed)
    const images = new Set<string>()
    const ends = { old: 0, new: 0 }
    let cuts = 0
    for (let at = 0; at <= operations; at++) {
      const { disk, isDone } = await rotatedUntil(base, at)
      for (const [words, cut] of cutsOf(disk, { byteStep: 40, mostOrders: 24 }, random.next)) {
        cuts++
        const left = disk.cut(cut)
        if (images.has(left.image())) continue
        images.add(left.image())
        const end = await endOf(left, old, `seed ${seed}: operation ${at}, ${words}`)
        if (isDone) expect(end, `${at}, ${words}`).toBe('new')
        ends[end]++
        await secondCut(left, old, `seed ${seed}: operation ${at}, ${words}`)
      }
    }
    console.info(
      `${operations} operations, ${cuts} cuts, ${images.size} disks: ${ends.old} old, ${ends.new} new key`,
    )
    expect(operations).toBeGreaterThan(10)
    expect(Math.min(ends.old, ends.new)).toBeGreaterThan(3)
  })

  /** The start after the cut is cut off as well, at each of its operations. */
  async function secondCut(left: MemoryDisk, old: SigningKey, words: string): Promise<void> {
    for (const unsynced of ['lost', 'kept'] as const)
      for (let at = 0; at < 6; at++) {
        const again = copyOf(left)
        again.powerFailsAfter = at
        const store = await open(again).catch(() => undefined)
        if (store) await finishRotation(store, new KeyFolder(again))
        await endOf(
          again.cut({ unsynced } as Cut),
          old,
          `${words}; then operation ${at} of the start, ${unsynced}`,
        )
      }
  }

  async function endOf(disk: MemoryDisk, old: SigningKey, words: string): Promise<'old' | 'new'> {
    const here = copyOf(disk)
    const named = here.paths.includes(keyName)
    expect(named, `${words}: no key`).toBe(true)
    const { store, key } = await started(here)
    expect(value(await keyChange(store, key)), words).toBe(undefined)
    expect(here.paths, words).not.toContain(nextKeyName)
    store.append(record, set)
    value(await store.seal(key))
    const found = await verified(here)
    expect(
      found.findings.filter(({ kind }) => kind !== 'explained'),
      words,
    ).toEqual([])
    expect(found.signedTo, words).toBe(found.sealedTo)
    expect(found.keys, words).toContain(old.publicKey)
    if (key.publicKey === old.publicKey) return 'old'
    expect(found.keyUses.at(-1), words).toMatchObject({ publicKey: key.publicKey, came: 'handed-over' })
    return 'new'
  }

  it('is not begun on a disk that takes nothing, and goes on when it does again: the same next key is named', async () => {
    const { disk, store, key } = await signedStore()
    const keys = new KeyFolder(disk)
    for (const code of ['disk-full', 'disk-error', 'disk-read-only'] as const) {
      disk.beforeOperation = (operation) => (operation === 'append' ? code : undefined)
      expect(codeOf(await rotateKey(store, key, keys, event))).toBe(code)
    }
    disk.beforeOperation = (operation, path) =>
      operation === 'append' && path.startsWith('lines-') ? 'disk-full' : undefined
    expect(codeOf(await rotateKey(store, key, keys, event))).toBe('disk-full')
    const next = value(await keys.waiting())!
    disk.beforeOperation = () => undefined
    expect(value(await keys.current()).publicKey).toBe(key.publicKey)
    const rotated = value(await rotateKey(store, key, keys, event))
    expect(rotated).toMatchObject({ before: key.publicKey })
    expect([rotated.key.publicKey, value(await keys.current()).publicKey]).toEqual([
      next.publicKey,
      next.publicKey,
    ])
  })

  it('whose line comes to the disk only later is ended by the next start, and breaks nothing until then', async () => {
    const { disk, store, key } = await signedStore()
    let failing = 0
    disk.beforeOperation = (operation, path) =>
      operation === 'append' && path.startsWith('lines-') && failing++ === 0 ? 'disk-full' : undefined
    expect(codeOf(await rotateKey(store, key, new KeyFolder(disk), event))).toBe('disk-full')
    // The station goes on with the old key; the line stands behind its back.
    store.append(record, set)
    value(await store.seal(key))
    expect(value(await keyLinesOf(store))).toHaveLength(1)
    expect((await verified(disk)).problems).toBe(0)
    const again = await started(disk)
    expect(again.key.publicKey).not.toBe(key.publicKey)
    value(await again.store.seal(again.key))
    expect(await verified(disk)).toMatchObject({ problems: 0 })
  })

  it('of a lost key names the one that signed last, and nobody vouches for the new one', async () => {
    for (const spoil of ['removed', 'spoiled'] as const) {
      const { disk, store, key } = await signedStore()
      if (spoil === 'removed') await disk.remove(keyName)
      else disk.put(keyName, 'no key')
      const rotated = value(await rotateKey(store, undefined, new KeyFolder(disk), event))
      expect(rotated.before).toBe(key.publicKey)
      expect(value(await new KeyFolder(disk).current()).publicKey).toBe(rotated.key.publicKey)
      value(await store.seal(rotated.key))
      const found = await verified(disk)
      expect(found.findings.map(({ kind }) => kind)).toEqual(['new-key'])
      expect(found.keyUses[1]).toMatchObject({ came: 'announced', namedBy: rotated.number })
    }
  })
})

describe('a start', () => {
  it('gives up a next key of which no line speaks, and keeps the one in force', async () => {
    const { disk, key } = await signedStore()
    value(await new KeyFolder(disk).prepare())
    expect((await started(disk)).key.publicKey).toBe(key.publicKey)
    expect(disk.paths).not.toContain(nextKeyName)
  })

  it('finds a key that is another than the one that signed last, once it is told and before', async () => {
    const { disk, store, key } = await signedStore()
    expect(value(await keyChange(store, key))).toBe(undefined)
    await disk.remove(keyName)
    const made = value(await new KeyFolder(disk).current())
    expect(value(await keyChange(store, made))).toEqual({ before: key.publicKey, isTold: false })
    value(await announceKey(store, key.publicKey, made.publicKey, 'missing', event))
    expect(value(await keyChange(store, made))).toEqual({ before: key.publicKey, isTold: true })
    value(await store.seal(made))
    expect(value(await keyChange(store, made))).toBe(undefined)
  })

  it('takes a key that the old one handed over to long ago, whoever put it there', async () => {
    const { store, key } = await signedStore()
    const other = value(await new KeyFolder(new MemoryDisk()).current())
    value(await handOver(store, key, other.publicKey, event))
    for (let i = 0; i < 3; i++) {
      store.append(record, set)
      value(await store.seal(key))
    }
    expect(value(await keyChange(store, other))).toBe(undefined)
    const third = value(await new KeyFolder(new MemoryDisk()).current())
    expect(value(await keyChange(store, third))).toEqual({ before: key.publicKey, isTold: false })
    value(await handOver(store, other, third.publicKey, event))
    expect(value(await keyChange(store, third))).toBe(undefined)
  })
})
