/** What a start makes of the key that it finds beside a store: real folders, opened as the agent opens them. */
import { mkdtempSync, readdirSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, describe, expect, it, onTestFinished, vi } from 'vitest'
import { keyDetails, keyFaultOf, openDataFolder, type DataFolder } from '../../agent/cli/data-folder.js'
import {
  keyCredential,
  keyName,
  nextKeyName,
  nextKeyOf,
  stationKey,
} from '../../agent/hardware/station-key.js'
import { keyFingerprint, handOver, rotateKey, type MakeEvent } from '../../agent/store/store.js'
import { base, goodSettings } from '../settings/support.js'
import { note, value } from '../store/support.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-key-changed-'))
afterAll(() => rmSync(folder, { recursive: true }))

const event: MakeEvent = (seq, details) => ({ ...note(seq, ''), name: 'station-key', details })

let count = 0
const newData = (): string => join(folder, `data-${count++}`)
async function opened<T>(data: string, use: (opened: DataFolder) => Promise<T>): Promise<T> {
  const settings = goodSettings(base.replace('/var/lib/motepost', data))
  const one = value(await openDataFolder(settings))
  const used = await use(one)
  await one.disk.close()
  return used
}

/** A start, a row, a signed seal. @returns the public key */
const signed = (data: string): Promise<string> =>
  opened(data, async ({ store, signingKey }) => {
    store.append((seq) => note(seq, 'a row'))
    const key = value(await signingKey())
    value(await store.seal(key))
    return key.publicKey
  })

interface Found {
  readonly now: string
  readonly details?: Record<string, string>
  readonly fault?: string
}
const start = (data: string): Promise<Found> =>
  opened(data, async (one) => ({
    now: value(await one.signingKey()).publicKey,
    details: keyDetails(one),
    fault: keyFaultOf(one)?.code,
  }))

describe('a start', () => {
  it('says nothing where the key is the one that signed last, or nothing was signed yet', async () => {
    const data = newData()
    expect(await start(data)).toMatchObject({ details: undefined, fault: undefined })
    const key = await signed(data)
    expect(await start(data)).toEqual({ now: key, details: undefined, fault: undefined })
  })

  it('goes on with a new key where the file is missing, says so in a line once, and warns', async () => {
    const data = newData()
    const before = await signed(data)
    rmSync(join(data, keyName))
    const found = await start(data)
    expect(found.now).not.toBe(before)
    const details = { old: before, new: found.now, reason: 'missing' }
    expect(found).toMatchObject({ fault: 'key-changed', details })
    await opened(data, async ({ store }) => {
      store.append((seq) => event(seq, details))
      value(await store.flush())
    })
    expect(await start(data)).toEqual({ now: found.now, fault: 'key-changed', details: undefined })
    await signed(data)
    expect(await start(data)).toEqual({ now: found.now, fault: undefined, details: undefined })
  })

  it('says so where another key stands in its place, or the service manager gives another one', async () => {
    const [data, other, credentials] = [newData(), newData(), mkdtempSync(join(folder, 'credentials-'))]
    const before = await signed(data)
    const now = await signed(other)
    writeFileSync(join(credentials, keyCredential), readFileSync(join(other, keyName)))
    renameSync(join(other, keyName), join(data, keyName))
    expect(await start(data)).toMatchObject({
      fault: 'key-changed',
      details: { old: before, new: now, reason: 'replaced' },
    })
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    onTestFinished(() => void vi.unstubAllEnvs())
    expect(await start(data)).toMatchObject({ details: { old: before, new: now, reason: 'given' } })
    const nextKey = await opened(data, (one) => Promise.resolve(one.nextKey))
    expect(nextKey).toMatchObject({ ok: false, fault: { code: 'key-given' } })
  })

  it('takes a key from the service manager to which the old one handed over, and warns of nothing', async () => {
    const [data, other, credentials] = [newData(), newData(), mkdtempSync(join(folder, 'credentials-'))]
    await signed(data)
    const next = await signed(other)
    await opened(data, async ({ store, signingKey }) => {
      const key = value(await signingKey())
      value(await handOver(store, key, next, event))
      value(await store.seal(key))
    })
    writeFileSync(join(credentials, keyCredential), readFileSync(join(other, keyName)))
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    onTestFinished(() => void vi.unstubAllEnvs())
    expect(await start(data)).toEqual({ now: next, details: undefined, fault: undefined })
  })

  it('ends a change that was cut off behind its line, and gives up one that had not come so far', async () => {
    const data = newData()
    const old = await signed(data)
    const place = value(nextKeyOf(data))
    const dropped = value(await place.prepare())
    expect(await start(data)).toMatchObject({ now: old, fault: undefined })
    expect(readdirSync(data)).not.toContain(nextKeyName)
    const next = await opened(data, async ({ store, signingKey }) => {
      const cutOff = { ...place, waiting: () => place.waiting(), prepare: () => place.prepare() }
      const adopt = () =>
        Promise.resolve({ ok: false, fault: { code: 'disk-error', detail: 'cut' } } as const)
      const rotated = await rotateKey(store, value(await signingKey()), { ...cutOff, adopt }, event)
      expect(rotated.ok).toBe(false)
      return value(await place.waiting())!.publicKey
    })
    expect(next).not.toBe(dropped.publicKey)
    expect(await start(data)).toEqual({ now: next, details: undefined, fault: undefined })
    expect(value(await stationKey(data)).publicKey).toBe(next)
    expect(keyFingerprint(next)).not.toBe(keyFingerprint(old))
  })
})
