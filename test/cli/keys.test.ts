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

/** Exit code, and all that was printed. */
async function ran(act: () => number | Promise<number>): Promise<{ code: number; said: string }> {
  let said = ''
  const streams = [process.stdout, process.stderr].map((stream) =>
    vi.spyOn(stream, 'write').mockImplementation((part) => ((said += String(part)), true)),
  )
  const code = await act()
  for (const stream of streams) stream.mockRestore()
  return { code, said }
}

function pair(): { pem: string; privatePem: string; hex: string } {
  const { publicKey, privateKey } = generateKeyPairSync('ed25519')
  const pem = publicKey.export({ format: 'pem', type: 'spki' }).toString()
  const privatePem = privateKey.export({ format: 'pem', type: 'pkcs8' }).toString()
  return {
    pem,
    privatePem,
    hex: publicKey.export({ format: 'der', type: 'spki' }).subarray(-32).toString('hex'),
  }
}

describe('keys', () => {
  it('shows the fingerprint of the station, as status does, and prints no key', async () => {
    const { settings, data } = placed()
    expect(await ran(() => showKeys(settings, {}))).toMatchObject({
      code: 0,
      said: expect.stringContaining('none yet'),
    })
    const made = await stationKey(data)
    if (!made.ok) throw new Error(made.fault.code)
    const { code, said } = await ran(() => showKeys(settings, {}))
    expect(code).toBe(0)
    expect(said).toContain(keyFingerprint(made.value.publicKey))
    expect(said).not.toContain(made.value.publicKey)
    const secret = readFileSync(join(data, keyName), 'utf8').split('\n')[1]
    expect(said + (await ran(() => showKeys(settings, { json: true }))).said).not.toContain(secret)
    writeFileSync(join(data, keyName), 'nothing')
    expect((await ran(() => showKeys(settings, {}))).code).toBe(1)
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
    const outside = pair()
    value(await handOver(store, second, outside.hex, event))
    await disk.close()
    const { said } = await ran(() => showKeys(others, {}))
    expect(said.split('\n').slice(0, 3)).toEqual([
      expect.stringMatching(/^station {2}gate +/) as string,
      `earlier  until number 1, 2026-03-01T00:00:00Z  ${keyFingerprint(first.publicKey)}`,
      `named    by number 2, 2026-03-01T00:00:00Z     ${keyFingerprint(outside.hex)}`,
    ])
    expect(said).toContain(keyFingerprint(second.publicKey))
    rmSync(join(data, keyName))
    expect((await ran(() => showKeys(others, {}))).said).toContain('not there: unless the service manager')
    expect((await ran(() => showKeys(others, { json: true }))).said).toContain('"is":"earlier"')
  })

  it('notes an operator by PEM or hex, once a name and once a key, and replaces only when told to', async () => {
    const { settings, file } = placed()
    const [one, two] = [pair(), pair()]
    const pemFile = join(file + '.pem')
    writeFileSync(pemFile, one.pem)
    expect((await ran(() => addOperator(settings, 'desk', pemFile, { role: 'operator' }))).said).toContain(
      keyFingerprint(one.hex),
    )
    expect((await ran(() => addOperator(settings, 'desk', two.hex, { role: 'reader' }))).code).toBe(2)
    expect((await ran(() => addOperator(settings, 'van', one.hex, { role: 'reader' }))).said).toContain(
      'the key of desk',
    )
    expect(
      (await ran(() => addOperator(settings, 'desk', two.hex, { role: 'reader', replace: true }))).code,
    ).toBe(0)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([
      { role: 'reader', publicKey: two.hex, name: 'desk' },
    ])
    expect((await ran(() => showKeys(settings, {}))).said).toContain(
      `reader   desk  ${keyFingerprint(two.hex)}`,
    )
    expect((await ran(() => removeOperator(settings, 'desk'))).code).toBe(0)
    expect((await ran(() => removeOperator(settings, 'desk'))).code).toBe(2)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([])
  })

  it('refuses private keys, other kinds of keys, unknown roles and names that are none', async () => {
    const { settings, file } = placed()
    const { privatePem, hex } = pair()
    const rsa = generateKeyPairSync('rsa', { modulusLength: 2048 }).publicKey.export({
      format: 'pem',
      type: 'spki',
    })
    for (const text of [privatePem, rsa.toString(), '', hex.slice(1), 'g'.repeat(64)])
      expect([text, publicKeyIn(text)]).toEqual([text, undefined])
    const add = async (name: string, role: string) =>
      (await ran(() => addOperator(settings, name, hex, { role }))).code
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
    const { hex } = pair()
    const many = Array.from({ length: mostOperators + 1 }, (_, i) => `reader ${hex} n${i}\n`).join('')
    for (const text of [`reader ${hex} desk\nroot ${hex} van\n`, `reader ${hex}\n`, many]) {
      writeFileSync(file, text)
      expect((await ran(() => showKeys(settings, {}))).code).toBe(1)
      expect((await ran(() => removeOperator(settings, 'desk'))).code).toBe(1)
      expect(readFileSync(file, 'utf8')).toBe(text)
    }
  })

  it('takes the list of the service manager first', async () => {
    const { settings, file } = placed()
    const [here, given] = [pair(), pair()]
    const credentials = mkdtempSync(join(tmpdir(), 'motepost-credentials-'))
    onTestFinished(() => (vi.unstubAllEnvs(), rmSync(credentials, { recursive: true })))
    writeFileSync(file, `operator ${here.hex} desk\n`)
    writeFileSync(join(credentials, 'operators'), `reader ${given.hex} van\n`)
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    const { said } = await ran(() => showKeys(settings, {}))
    expect([said.includes('desk'), said.includes(keyFingerprint(given.hex))]).toEqual([false, true])
    expect((await ran(() => removeOperator(settings, 'van'))).code).toBe(2)
  })

  it('reads what openssl writes: a public key in PEM is that of the pair', async () => {
    const { pem, hex, privatePem } = pair()
    expect(publicKeyIn(pem)).toBe(hex)
    expect(createPublicKey(privatePem).export({ format: 'pem', type: 'spki' })).toBe(pem)
  })
})
