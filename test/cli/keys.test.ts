import { createPublicKey, generateKeyPairSync } from 'node:crypto'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished, vi } from 'vitest'
import { addOperator, removeOperator, showKeys } from '../../agent/cli/keys.js'
import { mostOperators, operatorsIn, publicKeyIn } from '../../agent/cli/operators.js'
import { openFolder } from '../../agent/hardware/disk.js'
import { keyName, nextKeyOf, stationKey } from '../../agent/hardware/station-key.js'
import { handOver, keyFingerprint, openStore, rotateKey, type MakeEvent } from '../../agent/store/store.js'
import { monoSeconds, utcMillis } from '../../agent/terms/terms.js'
import { value } from '../store/support.js'
import { newKey } from '../support/keys.js'
import { printed } from '../support/printed.js'

function placed(): { settings: string; data: string; file: string } {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-keys-'))
  onTestFinished(() => rmSync(folder, { recursive: true }))
  const [settings, data] = [join(folder, 'station.yaml'), folder]
  writeFileSync(
    settings,
    `version: 1\nstation: { name: gate, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/none }]\ndata: { folder: ${data} }\n`,
  )
  return { settings, data, file: join(folder, 'operators') }
}

describe('keys', () => {
  it('shows the fingerprint of the station, as status does, and prints no key', async () => {
    const { settings, data } = placed()
    expect(await printed(() => showKeys(settings, {}))).toMatchObject({
      code: 0,
      said: expect.stringContaining('none yet'),
    })
    const made = await stationKey(data)
    if (!made.ok) throw new Error(made.fault.code)
    const { code, said } = await printed(() => showKeys(settings, {}))
    expect(code).toBe(0)
    expect(said).toContain(keyFingerprint(made.value.publicKey))
    expect(said).not.toContain(made.value.publicKey)
    const secret = readFileSync(join(data, keyName), 'utf8').split('\n')[1]
    expect(said + (await printed(() => showKeys(settings, { json: true }))).said).not.toContain(secret)
    writeFileSync(join(data, keyName), 'nothing')
    expect((await printed(() => showKeys(settings, {}))).code).toBe(1)
  })

  it('tells earlier keys and one that was named by the rows of the store, with when, and a file that is missing', async () => {
    const { settings, data } = placed()
    const disk = value(await openFolder(data, { create: true }))
    // Its settings stand elsewhere: beside another file no store is made.
    rmSync(settings)
    const store = value(await openStore({ disk, newStoreId: () => 'aaaa-bbbb', station: 'gate' }))
    const { settings: others } = placed()
    writeFileSync(others, readFileSync(others, 'utf8').replace(/folder: .* }/, `folder: ${data} }`))
    const first = value(await stationKey(data))
    const place = value(nextKeyOf(data))
    const at = { boot: '0a1b2c3d', mono: monoSeconds(60), utc: utcMillis(Date.UTC(2026, 2, 1)) }
    const event: MakeEvent = (seq, details) => ({ kind: 'event', seq, ...at, name: 'station-key', details })
    const { key: second } = value(await rotateKey(store, first, place, event))
    const outside = newKey()
    value(await handOver(store, second, outside.publicKey, event))
    await disk.close()
    const { said } = await printed(() => showKeys(others, {}))
    expect(said.split('\n').slice(0, 3)).toEqual([
      expect.stringMatching(/^station {2}gate +/) as string,
      `earlier  until number 1, 2026-03-01T00:00:00Z  ${keyFingerprint(first.publicKey)}`,
      `named    by number 2, 2026-03-01T00:00:00Z     ${keyFingerprint(outside.publicKey)}`,
    ])
    expect(said).toContain(keyFingerprint(second.publicKey))
    rmSync(join(data, keyName))
    expect((await printed(() => showKeys(others, {}))).said).toContain(
      'not there: unless the service manager',
    )
    expect((await printed(() => showKeys(others, { json: true }))).said).toContain('"is":"earlier"')
  })

  it('notes an operator by PEM or hex, once a name and once a key, and replaces only when told to', async () => {
    const { settings, file } = placed()
    const [one, two] = [newKey(), newKey()]
    const pemFile = join(file + '.pem')
    writeFileSync(pemFile, one.publicPem)
    expect(
      (await printed(() => addOperator(settings, 'desk', pemFile, { role: 'operator' }))).said,
    ).toContain(keyFingerprint(one.publicKey))
    expect((await printed(() => addOperator(settings, 'desk', two.publicKey, { role: 'reader' }))).code).toBe(
      2,
    )
    expect(
      (await printed(() => addOperator(settings, 'van', one.publicKey, { role: 'reader' }))).said,
    ).toContain('desk has this key')
    expect(
      (await printed(() => addOperator(settings, 'desk', two.publicKey, { role: 'reader', replace: true })))
        .code,
    ).toBe(0)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([
      { role: 'reader', publicKey: two.publicKey, name: 'desk' },
    ])
    expect((await printed(() => showKeys(settings, {}))).said).toContain(
      `reader   desk  ${keyFingerprint(two.publicKey)}`,
    )
    expect((await printed(() => removeOperator(settings, 'desk'))).code).toBe(0)
    expect((await printed(() => removeOperator(settings, 'desk'))).code).toBe(2)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([])
  })

  it('refuses private keys, other kinds of keys, unknown roles and names that are none', async () => {
    const { settings, file } = placed()
    const { privatePem, publicKey: hex } = newKey()
    const rsa = generateKeyPairSync('rsa', { modulusLength: 2048 }).publicKey.export({
      format: 'pem',
      type: 'spki',
    })
    expect((await printed(() => addOperator(settings, 'desk', tmpdir(), { role: 'reader' }))).code).toBe(2)
    for (const text of [privatePem, rsa.toString(), '', hex.slice(1), 'g'.repeat(64)])
      expect([text, publicKeyIn(text)]).toEqual([text, undefined])
    const add = async (name: string, role: string) =>
      (await printed(() => addOperator(settings, name, hex, { role }))).code
    const codes = [
      await add('desk', 'owner'),
      await add('Anna', 'reader'),
      await add('a b', 'reader'),
      await add('', 'reader'),
    ]
    expect(codes).toEqual([2, 2, 2, 2])
    expect(existsSync(file)).toBe(false)
  })

  it('believes no list with a line that is none, and changes nothing in it', async () => {
    const { settings, file } = placed()
    const { publicKey: hex } = newKey()
    const many = Array.from({ length: mostOperators + 1 }, (_, i) => `reader ${hex} n${i}\n`).join('')
    for (const text of [`reader ${hex} desk\nroot ${hex} van\n`, `reader ${hex}\n`, many]) {
      writeFileSync(file, text)
      expect((await printed(() => showKeys(settings, {}))).code).toBe(1)
      expect((await printed(() => removeOperator(settings, 'desk'))).code).toBe(1)
      expect(readFileSync(file, 'utf8')).toBe(text)
    }
  })

  it('takes the list of the service manager first', async () => {
    const { settings, file } = placed()
    const [here, given] = [newKey(), newKey()]
    const credentials = mkdtempSync(join(tmpdir(), 'motepost-credentials-'))
    onTestFinished(() => (vi.unstubAllEnvs(), rmSync(credentials, { recursive: true })))
    writeFileSync(file, `operator ${here.publicKey} desk\n`)
    writeFileSync(join(credentials, 'operators'), `reader ${given.publicKey} van\n`)
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    const { said } = await printed(() => showKeys(settings, {}))
    expect([said.includes('desk'), said.includes(keyFingerprint(given.publicKey))]).toEqual([false, true])
    expect((await printed(() => removeOperator(settings, 'van'))).code).toBe(2)
  })

  it('reads what openssl writes: a public key in PEM is that of the pair', async () => {
    const { publicPem: pem, publicKey: hex, privatePem } = newKey()
    expect(publicKeyIn(pem)).toBe(hex)
    expect(createPublicKey(privatePem).export({ format: 'pem', type: 'spki' })).toBe(pem)
  })
})
