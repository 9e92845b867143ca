import { createHash, createPublicKey, verify } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { readGone, readSeal, verifyFolder, type Store } from '../../agent/store/store.js'
import { all, appendRecords, codeOf, note, open, seqs, storeId, value, written } from './support.js'
import { testKey } from './test-key.js'

const texts = async (store: Store): Promise<string[]> =>
  value(await store.lines(0, Number.MAX_SAFE_INTEGER)).map(({ text }) => text)

const sealsOf = async (store: Store) =>
  (await texts(store)).map(readSeal).filter((seal) => seal !== undefined)

const key = testKey()

/** Days of `perDay` records and a signed seal each, on a disk with so many lines a file. */
async function sealedStore(days: number, perDay = 10, linesPerFile = 15): Promise<[Store, MemoryDisk]> {
  const disk = new MemoryDisk()
  const store = await open(disk, { linesPerFile })
  for (let day = 0; day < days; day++) {
    appendRecords(store, perDay)
    value(await store.seal(key))
  }
  return [store, disk]
}

describe('a seal', () => {
  it('says first, last, how many, the SHA-256 of the lines and of the seal before, as FORMAT.md has it', async () => {
    const store = await open(new MemoryDisk())
    appendRecords(store, 3)
    value(await store.seal())
    store.append((seq) => note(seq, 'between'))
    value(await store.seal(key))
    const lines = await texts(store)
    const sha = (text: string) => createHash('sha256').update(text).digest('hex')
    const body = (...parts: string[]) => sha(parts.map((text) => text + '\n').join(''))
    expect(lines[3]).toBe(`seal,4,1,3,3,h${body(...lines.slice(0, 3))},,,`)
    const head = `seal,6,4,5,2,h${body(lines[3], lines[4])},h${sha(lines[3])},p${key.publicKey}`
    expect(lines[5].slice(0, head.length)).toBe(head)
    const signature = Buffer.from(lines[5].slice(head.length + 2), 'hex')
    // The key in DER as RFC 8410 has it, so that any tool can check: openssl, or node as here.
    const der = Buffer.concat([
      Buffer.from('302a300506032b6570032100', 'hex'),
      Buffer.from(key.publicKey, 'hex'),
    ])
    const publicKey = createPublicKey({ key: der, format: 'der', type: 'spki' })
    expect(verify(null, Buffer.from(`${storeId}\n${head}`), publicKey, signature)).toBe(true)
    expect(lines[5]).toMatch(/^[^,]+(,[^,=+@-][^,]*|,)*$/)
  })

  it('covers only what is safe, each number once, without a hole, whatever is appended meanwhile', async () => {
    const store = await open(new MemoryDisk())
    for (let i = 0; i < 20; i++) {
      appendRecords(store, 3)
      const sealing = store.seal()
      appendRecords(store, 2)
      value(await sealing)
    }
    let next = 1
    for (const { seq, first, last } of await sealsOf(store)) {
      expect(first).toBe(next)
      expect(last).toBeLessThan(seq)
      next = last + 1
    }
    expect(next).toBeGreaterThan(90)
  })

  it('never reaches over the end of a file, so that a file can go with the seals of it', async () => {
    const [store, disk] = await sealedStore(6)
    const firsts = disk.paths
      .filter((name) => name.startsWith('lines-'))
      .map((name) => Number(name.slice(6, 18)))
    expect(firsts.length).toBeGreaterThan(3)
    for (const { first, last } of await sealsOf(store))
      expect(firsts.filter((start) => first < start && start <= last)).toEqual([])
  })

  it('is not written again while nothing new came, but at the day’s end with a key', async () => {
    const store = await open(new MemoryDisk())
    appendRecords(store, 1)
    expect(value(await store.seal())).toHaveLength(1)
    expect(value(await store.seal())).toHaveLength(0)
    expect(value(await store.seal())).toHaveLength(0)
    expect(value(await store.seal(key))).toHaveLength(1)
    expect(value(await (await open(new MemoryDisk())).seal(key))).toHaveLength(0)
  })

  it('goes on from the newest seal after a start, and covers what the start left out', async () => {
    const disk = await written(5)
    const before = await open(disk)
    value(await before.seal())
    appendRecords(before, 2)
    value(await before.flush())
    const store = await open(disk)
    appendRecords(store, 2)
    value(await store.seal())
    const seals = await sealsOf(store)
    expect(seals[1].first).toBe(seals[0].last + 1)
    expect(seals[1].sealHash).toBe(
      createHash('sha256')
        .update((await texts(store)).find((text) => text.startsWith('seal,'))!)
        .digest('hex'),
    )
  })

  it('comes later where the disk fails, and then covers all of it once', async () => {
    const disk = await written(5)
    const store = await open(disk)
    disk.readOnly = true
    appendRecords(store, 2)
    expect(codeOf(await store.seal(key))).toBe('disk-read-only')
    disk.readOnly = false
    // The lines get through, the seal itself does not.
    let syncs = 0
    disk.beforeOperation = (operation) =>
      operation === 'datasync' && syncs++ === 1 ? 'disk-error' : undefined
    expect(codeOf(await store.seal(key))).toBe('disk-error')
    disk.beforeOperation = () => undefined
    value(await store.seal(key))
    const seals = await sealsOf(store)
    expect(seals[0].first).toBe(1)
    for (let i = 1; i < seals.length; i++) expect(seals[i].first).toBe(seals[i - 1].last + 1)
  })

  it('reads only what it would write', () => {
    const line = `seal,4,1,3,3,h${'0'.repeat(64)},,,`
    expect(readSeal(line)).toEqual({
      kind: 'seal',
      seq: 4,
      first: 1,
      last: 3,
      count: 3,
      hash: '0'.repeat(64),
    })
    for (const other of [
      line + ',',
      line.replace('seal', 'gone'),
      line.replace('h0', 'hA'),
      line.replace(',3,h', ',03,h'),
    ])
      expect(readSeal(other), other).toBeUndefined()
  })
})

describe('making room', () => {
  const everything = { received: () => true, key }
  const fill = (disk: MemoryDisk, share: number): void => {
    const used = disk.paths.reduce((sum, path) => sum + disk.text(path).length, 0)
    disk.capacityBytes = used / share
  }

  it('keeps everything up to 90 % full', async () => {
    const [store, disk] = await sealedStore(6)
    fill(disk, 0.89)
    expect(value(await store.makeRoom(everything))).toEqual({ gone: [], isShort: false })
  })

  it('removes the oldest sealed and received files until there is room, and says so in a signed line', async () => {
    const [store, disk] = await sealedStore(12)
    const before = value(await store.lines(0, 15))
    fill(disk, 0.97)
    const { gone, isShort } = value(await store.makeRoom(everything))
    expect(isShort).toBe(false)
    expect(gone.length).toBeGreaterThan(0)
    expect(gone[0]).toMatchObject({
      first: 1,
      last: 15,
      count: 15,
      file: 'lines-000000000001.csv',
      reason: 'full',
    })
    expect(gone[0].hash).toBe(
      createHash('sha256')
        .update(before.map(({ text }) => text + '\n').join(''))
        .digest('hex'),
    )
    expect(gone[0].signed?.publicKey).toBe(key.publicKey)
    expect(disk.paths).not.toContain('lines-000000000001.csv')
    expect(Math.min(...seqs(await all(store)))).toBe(16 * gone.length - gone.length + 1)
    const left = seqs(await all(store))
    const after = await open(disk.cut({ unsynced: 'lost' }), { linesPerFile: 15 })
    expect(seqs(await all(after))).toEqual(left)
    expect((await texts(after)).map(readGone).filter(Boolean)).toEqual(gone)
    value(await after.seal(key))
    const seals = await sealsOf(after)
    for (let i = 1; i < seals.length; i++) expect(seals[i].first).toBe(seals[i - 1].last + 1)
  })

  it('never removes what is not received or not sealed, nor the file being written', async () => {
    const [store, disk] = await sealedStore(8)
    fill(disk, 0.99)
    expect(value(await store.makeRoom({ received: () => false }))).toEqual({ gone: [], isShort: true })
    const second = value(await store.makeRoom({ received: (from) => from > 15 }))
    expect(second.gone[0].first).toBe(16)
    expect(disk.paths).toContain('lines-000000000001.csv')
    const unsealed = await written(60, { linesPerFile: 15 })
    const opened = await open(unsealed, { linesPerFile: 15 })
    fill(unsealed, 0.99)
    expect(value(await opened.makeRoom(everything))).toEqual({ gone: [], isShort: true })
    const [small, smallDisk] = await sealedStore(1)
    fill(smallDisk, 0.99)
    expect(value(await small.makeRoom(everything))).toEqual({ gone: [], isShort: true })
  })

  it('says in the newest line of all that is gone, for the lines about it go with their files', async () => {
    const [store, disk] = await sealedStore(4)
    for (let round = 0; round < 12; round++) {
      appendRecords(store, 10)
      value(await store.seal(key))
      fill(disk, 0.93)
      value(await store.makeRoom(everything))
      disk.capacityBytes = Infinity
    }
    const lines = await texts(store)
    const gone = lines.map(readGone).filter((one) => one !== undefined)
    expect(Math.min(...gone.map(({ from }) => from))).toBe(1)
    const verified = value(await verifyFolder(disk))
    expect(verified).toMatchObject({ problems: 0, gone: [[1, seqs(await all(store))[0] - 1]] })
    expect(seqs(await all(store))[0]).toBeGreaterThan(60)
  })

  it('says again what went out of order, where its line goes', async () => {
    const [store, disk] = await sealedStore(4)
    const keptFirst = { received: (from: number) => from > 15, key }
    for (let round = 0; round < 12; round++) {
      appendRecords(store, 10)
      value(await store.seal(key))
      fill(disk, 0.93)
      value(await store.makeRoom(keptFirst))
      disk.capacityBytes = Infinity
    }
    expect(disk.paths).toContain('lines-000000000001.csv')
    expect(value(await verifyFolder(disk))).toMatchObject({ problems: 0 })
    fill(disk, 0.93)
    value(await store.makeRoom(everything))
    const after = await open(disk.cut({ unsynced: 'lost' }), { linesPerFile: 15 })
    expect(seqs(await all(after))[0]).toBeGreaterThan(60)
    disk.powerFailsAfter = Infinity
    const { problems, gone } = value(await verifyFolder(disk))
    expect([problems, gone.length, gone[0][0]]).toEqual([0, 1, 1])
  })

  it('finishes at the next call a removal that a power cut interrupted', async () => {
    const [store, disk] = await sealedStore(12)
    fill(disk, 0.97)
    disk.beforeOperation = (operation) => (operation === 'remove' ? 'disk-error' : undefined)
    expect(codeOf(await store.makeRoom(everything))).toBe('disk-error')
    const cut = disk.cut({ unsynced: 'lost' })
    expect(cut.paths).toContain('lines-000000000001.csv')
    const after = await open(cut, { linesPerFile: 15 })
    expect(seqs(await all(after))[0]).toBe(1)
    const { gone } = value(await after.makeRoom(everything))
    expect(cut.paths).not.toContain('lines-000000000001.csv')
    expect(gone.every(({ first }) => first > 1)).toBe(true)
  })

  it('removes a received file before the line about it where the disk takes not one byte more', async () => {
    const [store, disk] = await sealedStore(8)
    fill(disk, 1)
    const { gone } = value(await store.makeRoom(everything))
    expect(gone[0].first).toBe(1)
    expect((await texts(store)).map(readGone).filter(Boolean)).toEqual(gone)
  })

  it('signs nothing and still says it where there is no key', async () => {
    const [store, disk] = await sealedStore(12)
    fill(disk, 0.97)
    const { gone } = value(await store.makeRoom({ received: () => true }))
    expect(gone[0].signed).toBeUndefined()
  })
})
