/** A store whose key changes, as a verification of it sees it: with and without the signature of the key before, and forged. */
import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import {
  announceKey,
  handOver,
  keyFingerprint,
  openArchive,
  verifyFolder,
  type Finding,
  type MakeEvent,
  type Store,
  type Verification,
} from '../../agent/store/store.js'
import { sealedLine } from '../../agent/store/seal.js'
import { handOverDetails, readHandOver } from '../../agent/store/hand-over.js'
import type { SigningKey } from '../../agent/terms/terms.js'
import { note, open, record, set, storeId, value } from './support.js'
import { testKey } from './test-key.js'
import { newKey } from '../support/keys.js'

const [old, next, third, foreign] = [7, 8, 9, 66].map(testKey)

const event: MakeEvent = (seq, details) => ({ ...note(seq, ''), name: 'station-key', details })

/** Some minutes, sealed at their end and signed by whom it is told. */
async function hours(store: Store, signer: SigningKey | undefined, count = 1): Promise<void> {
  for (let hour = 0; hour < count; hour++) {
    for (let i = 0; i < 8; i++) store.append(record, set)
    value(await store.seal(signer))
  }
}

interface Made {
  readonly disk: MemoryDisk
  readonly store: Store
}

async function begun(linesPerFile = 500): Promise<Made> {
  const disk = new MemoryDisk()
  const store = await open(disk, { linesPerFile })
  await hours(store, old, 3)
  return { disk, store }
}

async function rotated(linesPerFile?: number): Promise<Made & { number: number }> {
  const { disk, store } = await begun(linesPerFile)
  const number = value(await handOver(store, old, next.publicKey, event))
  await hours(store, next, 3)
  return { disk, store, number }
}

const verified = async (disk: MemoryDisk, expectedKey?: string): Promise<Verification> =>
  value(await verifyFolder(disk, expectedKey === undefined ? {} : { expectedKey }))
const problems = (found: Verification): Finding[] => found.findings.filter(({ kind }) => kind !== 'explained')
const kinds = (found: Verification): string[] => problems(found).map(({ kind }) => kind)
const usesOf = (found: Verification) =>
  found.keyUses.map(({ publicKey, came, vouchedFor, namedBy }) => ({ publicKey, came, vouchedFor, namedBy }))

async function archiveOf(store: Store, leftOut: (seq: number) => boolean = () => false): Promise<MemoryDisk> {
  const seed = Date.now() % 2 ** 31
  console.info(`order of arrival: seed ${seed}`)
  const random = seededRandom(seed)
  const lines = value(await store.lines(0, 10_000)).filter(({ line }) => !leftOut(line.seq))
  const arriving = lines
    .map(({ line, text }) => ({ at: random.next(), line: { seq: line.seq, text } }))
    .sort((a, b) => a.at - b.at)
    .map(({ line }) => line)
  const disk = new MemoryDisk()
  const archive = value(await openArchive({ disk, storeId, station: 'hill', linesRange: 16 }))
  for (let at = 0; at < arriving.length; at += 7) value(await archive.add(arriving.slice(at, at + 7), [set]))
  value(await archive.sync())
  return disk
}

describe('a key that hands over to the next', () => {
  it('is followed in the store, and in an archive whatever the order of arrival, from whichever key is known', async () => {
    const { disk, store, number } = await rotated()
    for (const place of [disk, await archiveOf(store), await archiveOf(store)])
      for (const known of [
        undefined,
        old.publicKey,
        next.publicKey,
        keyFingerprint(old.publicKey).replaceAll(' ', ''),
      ]) {
        const found = await verified(place, known)
        expect(problems(found)).toEqual([])
        expect(found.signedTo).toBe(found.sealedTo)
        expect(usesOf(found)).toEqual([
          { publicKey: old.publicKey, came: 'first', vouchedFor: true },
          { publicKey: next.publicKey, came: 'handed-over', vouchedFor: true, namedBy: number },
        ])
        const [first, second] = found.keyUses
        expect([first.signatures, second.signatures]).toEqual([3, 3])
        expect(first.to).toBeLessThan(number)
        expect(second.from).toBeGreaterThan(number)
        // The record before the first seal of each: minute `seq` of the made store.
        expect(first.since).toBe(Date.UTC(2026, 2, 1) + (first.from! - 1) * 60_000)
        expect(second.until).toBe(Date.UTC(2026, 2, 1) + (second.to! - 1) * 60_000)
      }
  })

  it('goes on over several changes, and may sign until the next one does', async () => {
    const { disk, store } = await begun()
    value(await handOver(store, old, next.publicKey, event))
    await hours(store, old)
    await hours(store, next)
    value(await handOver(store, next, foreign.publicKey, event))
    value(await handOver(store, next, third.publicKey, event))
    await hours(store, third)
    for (const known of [old, next, third]) expect(kinds(await verified(disk, known.publicKey))).toEqual([])
    expect((await verified(disk)).signedTo).toBe((await verified(disk)).sealedTo)
  })

  it('no longer counts once the next one has signed: named once, with how often and up to where', async () => {
    const { disk, store } = await rotated()
    const { sealedTo } = await verified(disk)
    await hours(store, old, 2)
    for (const known of [undefined, old.publicKey, next.publicKey]) {
      const found = await verified(disk, known)
      expect(kinds(found)).toEqual(['foreign-key'])
      expect(problems(found)[0].words).toContain(`${keyFingerprint(old.publicKey).slice(0, 19)}…, which`)
      expect(problems(found)[0].words).toMatch(
        /had replaced from number \d+ on \(2 signatures, up to number \d+\)/,
      )
      expect(found.signedTo).toBe(sealedTo)
    }
  })

  it('is said again before its file makes room, so that the key noted at set-up still leads to the present one', async () => {
    const { disk, store, number } = await rotated(20)
    await hours(store, next, 3)
    disk.capacityBytes = disk.paths.reduce((sum, path) => sum + disk.text(path).length, 0) / 0.95
    for (let i = 0; i < 3; i++) {
      value(await store.makeRoom({ received: () => true, key: next, event }))
      disk.capacityBytes -= 1500
    }
    disk.capacityBytes = Infinity
    await hours(store, next)
    const found = await verified(disk, old.publicKey)
    expect(found.gone[0][1]).toBeGreaterThan(number)
    expect(problems(found)).toEqual([])
    expect(found.signedTo).toBe(found.sealedTo)
    expect(usesOf(found).map(({ publicKey }) => publicKey)).toEqual([old.publicKey, next.publicKey])
    expect(kinds(await verified(disk, foreign.publicKey))).toContain('foreign-key')
  })

  it('vouches for nothing that the named next one has not signed', async () => {
    const { disk, store } = await begun()
    value(await handOver(store, old, next.publicKey, event))
    expect(kinds(await verified(disk))).toEqual([])
    const found = await verified(disk, next.publicKey)
    expect(kinds(found)).toEqual(['signature'])
    expect(problems(found)[0].words).toContain('has signed nothing here yet')
    await hours(store, next)
    expect(kinds(await verified(disk, next.publicKey))).toEqual([])
  })

  it('is a note where the row that says so has not arrived, and what it signed does not count yet', async () => {
    const { disk, store, number } = await rotated()
    const found = await verified(await archiveOf(store, (seq) => seq === number))
    expect(problems(found)).toEqual([])
    expect(found.findings.map(({ words }) => words).join('\n')).toContain(
      'may be among those that are missing',
    )
    expect(found.signedTo).toBeLessThan(number)
    expect((await verified(disk)).signedTo).toBeGreaterThan(number)
  })
})

describe('a key that nobody vouches for', () => {
  it('is told once with the row that names it, and neither taken for the station nor for a forgery of all', async () => {
    const { disk, store } = await begun()
    const { signedTo } = await verified(disk)
    const number = value(await announceKey(store, old.publicKey, next.publicKey, 'missing', event))
    await hours(store, next, 3)
    for (const known of [undefined, old.publicKey]) {
      const found = await verified(disk, known)
      expect(kinds(found)).toEqual(['new-key'])
      const [{ words, from, to }] = problems(found)
      expect(words).toContain('names it (the key before was missing at a start)')
      expect(words).toContain('nobody vouches for it (3 signatures')
      expect([from! > number, to]).toEqual([true, found.lastSeq])
      expect(found.signedTo).toBe(signedTo)
      expect(usesOf(found)[1]).toMatchObject({ came: 'announced', vouchedFor: false, namedBy: number })
    }
    for (const place of [disk, await archiveOf(store)]) {
      const known = await verified(place, next.publicKey)
      expect(problems(known)).toEqual([])
      expect(known.findings.map(({ words }) => words).join('\n')).toContain('signed all of it later')
      expect(known.signedTo).toBe(known.sealedTo)
    }
  })

  it('vouches for the next one all the same: only the first of them is told', async () => {
    const { disk, store } = await begun()
    value(await announceKey(store, old.publicKey, next.publicKey, 'lost', event))
    await hours(store, next)
    value(await handOver(store, next, third.publicKey, event))
    await hours(store, third, 2)
    expect(kinds(await verified(disk))).toEqual(['new-key'])
    expect(kinds(await verified(disk, third.publicKey))).toEqual([])
  })

  it('is told as a foreign one where no row names it, at the end or in between', async () => {
    const { disk, store } = await begun()
    await hours(store, next, 2)
    expect(kinds(await verified(disk))).toEqual(['foreign-key'])
    expect(problems(await verified(disk))[0].words).toContain('nothing here names it (2 signatures')
    await hours(store, old)
    const found = await verified(disk)
    expect(kinds(found)).toEqual(['foreign-key'])
    expect(found.signedTo).toBe(found.sealedTo)
  })
})

describe('very many made-up keys', () => {
  it('are counted, and the first hundred told', async () => {
    const { disk, store } = await begun(100_000)
    const { signedTo } = await verified(disk)
    for (let i = 0; i < 1000; i++) {
      const made = newKey()
      store.append((seq) =>
        sealedLine(
          { kind: 'seal', seq, first: seq, last: seq - 1, count: 0, hash: '0'.repeat(64) },
          storeId,
          made,
        ),
      )
    }
    value(await store.flush())
    const found = await verified(disk)
    const foreignOnes = found.findings.filter(({ kind }) => kind === 'foreign-key')
    expect(foreignOnes).toHaveLength(101)
    expect(foreignOnes.at(-1)?.words).toContain('1000 keys signed here')
    expect([found.keyUses.length, found.signedTo]).toEqual([1001, signedTo])
    const unknown = await verified(disk, foreign.publicKey)
    expect(unknown.findings.filter(({ kind }) => kind === 'foreign-key')).toHaveLength(101)
  })
})

describe('a forged hand-over', () => {
  it('of a foreign key is named with both keys and not followed', async () => {
    const { disk, store } = await begun()
    const number = value(await handOver(store, foreign, next.publicKey, event))
    await hours(store, next)
    for (const known of [undefined, old.publicKey]) {
      const found = await verified(disk, known)
      expect(kinds(found)).toEqual(['foreign-key', 'foreign-key'])
      const [{ words, lineNumber }] = problems(found)
      expect(words).toContain(keyFingerprint(foreign.publicKey).slice(0, 19))
      expect(words).toContain('which was not in force here: it is not followed')
      expect(lineNumber).toBeGreaterThan(0)
      expect(found.signedTo).toBeLessThan(number)
    }
  })

  it('by the old key after it was replaced is named and not followed', async () => {
    const { disk, store } = await rotated()
    value(await handOver(store, old, foreign.publicKey, event))
    await hours(store, foreign)
    const found = await verified(disk, old.publicKey)
    expect(kinds(found)).toEqual(['foreign-key', 'foreign-key'])
    expect(problems(found)[0].words).toContain(
      `which ${keyFingerprint(next.publicKey).slice(0, 19)}… had replaced`,
    )
  })

  it('with a signature of another store, another number or another next key does not fit', async () => {
    const honest = handOverDetails(storeId, 1, old, next.publicKey)
    const wrong: Record<string, string>[] = [
      handOverDetails('another-store', 1, old, next.publicKey),
      { ...honest, new: foreign.publicKey },
      { ...honest, from: '2' },
      { ...honest, old: foreign.publicKey },
    ]
    for (const details of wrong) {
      const { disk, store } = await begun()
      store.append((seq) => event(seq, details))
      await hours(store, details.new === foreign.publicKey ? foreign : next)
      const found = await verified(disk)
      expect(kinds(found)).toContain('signature')
      expect(kinds(found)).toContain('foreign-key')
    }
  })

  it('cannot be put before its place by who has the new key only: there it says nothing', async () => {
    const { disk, store, number } = await rotated()
    const details = handOverDetails(storeId, number, old, next.publicKey)
    expect(readHandOver(event(number - 1, details))).toBe(undefined)
    expect(readHandOver(event(number + 9, details))?.signed?.from).toBe(number)
    const forged = new MemoryDisk()
    const other = await open(forged)
    await hours(other, old, 1)
    other.append((seq) => event(seq, details))
    await hours(other, next, 1)
    expect(other.nextSeq).toBeLessThan(number)
    for (const known of [undefined, old.publicKey]) {
      const found = await verified(forged, known)
      expect(kinds(found)).toEqual(['foreign-key'])
      expect(found.signedTo).toBe(8)
    }
    // The whole store, with a seal of the new key among those of the old one: only that seal is told.
    await hours(store, next)
    expect(kinds(await verified(disk, old.publicKey))).toEqual([])
    const early = await begun()
    await hours(early.store, next)
    await hours(early.store, old)
    value(await handOver(early.store, old, next.publicKey, event))
    await hours(early.store, next)
    const found = await verified(early.disk, old.publicKey)
    expect(kinds(found)).toEqual(['foreign-key'])
    expect(found.signedTo).toBe(found.sealedTo)
  })
})
