import { createPublicKey, generateKeyPairSync } from 'node:crypto'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished, vi } from 'vitest'
import { addOperator, removeOperator, showKeys } from '../../agent/cli/keys.js'
import { mostOperators, operatorsIn, publicKeyIn } from '../../agent/cli/operators.js'
import { keyName, stationKey } from '../../agent/hardware/station-key.js'
import { keyFingerprint } from '../../agent/store/store.js'

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
function ran(act: () => number): { code: number; said: string } {
  let said = ''
  const streams = [process.stdout, process.stderr].map((stream) =>
    vi.spyOn(stream, 'write').mockImplementation((part) => ((said += String(part)), true)),
  )
  const code = act()
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
    expect(ran(() => showKeys(settings, {}))).toMatchObject({
      code: 0,
      said: expect.stringContaining('none yet'),
    })
    const made = await stationKey(data)
    if (!made.ok) throw new Error(made.fault.code)
    const { code, said } = ran(() => showKeys(settings, {}))
    expect(code).toBe(0)
    expect(said).toContain(keyFingerprint(made.value.publicKey))
    expect(said).not.toContain(made.value.publicKey)
    const secret = readFileSync(join(data, keyName), 'utf8').split('\n')[1]
    expect(said + ran(() => showKeys(settings, { json: true })).said).not.toContain(secret)
    writeFileSync(join(data, keyName), 'nothing')
    expect(ran(() => showKeys(settings, {})).code).toBe(1)
  })

  it('notes an operator by PEM or hex, once a name and once a key, and replaces only when told to', () => {
    const { settings, file } = placed()
    const [one, two] = [pair(), pair()]
    const pemFile = join(file + '.pem')
    writeFileSync(pemFile, one.pem)
    expect(ran(() => addOperator(settings, 'desk', pemFile, { role: 'operator' })).said).toContain(
      keyFingerprint(one.hex),
    )
    expect(ran(() => addOperator(settings, 'desk', two.hex, { role: 'reader' })).code).toBe(2)
    expect(ran(() => addOperator(settings, 'van', one.hex, { role: 'reader' })).said).toContain(
      'the key of desk',
    )
    expect(ran(() => addOperator(settings, 'desk', two.hex, { role: 'reader', replace: true })).code).toBe(0)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([
      { role: 'reader', publicKey: two.hex, name: 'desk' },
    ])
    expect(ran(() => showKeys(settings, {})).said).toContain(`reader   desk  ${keyFingerprint(two.hex)}`)
    expect(ran(() => removeOperator(settings, 'desk')).code).toBe(0)
    expect(ran(() => removeOperator(settings, 'desk')).code).toBe(2)
    expect(operatorsIn(readFileSync(file, 'utf8'))).toEqual([])
  })

  it('refuses private keys, other kinds of keys, unknown roles and names that are none', () => {
    const { settings, file } = placed()
    const { privatePem, hex } = pair()
    const rsa = generateKeyPairSync('rsa', { modulusLength: 2048 }).publicKey.export({
      format: 'pem',
      type: 'spki',
    })
    for (const text of [privatePem, rsa.toString(), '', hex.slice(1), 'g'.repeat(64)])
      expect([text, publicKeyIn(text)]).toEqual([text, undefined])
    const add = (name: string, role: string) => ran(() => addOperator(settings, name, hex, { role })).code
    expect([add('desk', 'owner'), add('Anna', 'reader'), add('a b', 'reader'), add('', 'reader')]).toEqual([
      2, 2, 2, 2,
    ])
    expect(existsSync(file)).toBe(false)
  })

  it('believes no list with a line that is none, and changes nothing in it', () => {
    const { settings, file } = placed()
    const { hex } = pair()
    const many = Array.from({ length: mostOperators + 1 }, (_, i) => `reader ${hex} n${i}\n`).join('')
    for (const text of [`reader ${hex} desk\nroot ${hex} van\n`, `reader ${hex}\n`, many]) {
      writeFileSync(file, text)
      expect(ran(() => showKeys(settings, {})).code).toBe(1)
      expect(ran(() => removeOperator(settings, 'desk')).code).toBe(1)
      expect(readFileSync(file, 'utf8')).toBe(text)
    }
  })

  it('takes the list of the service manager first', () => {
    const { settings, file } = placed()
    const [here, given] = [pair(), pair()]
    const credentials = mkdtempSync(join(tmpdir(), 'motepost-credentials-'))
    onTestFinished(() => (vi.unstubAllEnvs(), rmSync(credentials, { recursive: true })))
    writeFileSync(file, `operator ${here.hex} desk\n`)
    writeFileSync(join(credentials, 'operators'), `reader ${given.hex} van\n`)
    vi.stubEnv('CREDENTIALS_DIRECTORY', credentials)
    const { said } = ran(() => showKeys(settings, {}))
    expect([said.includes('desk'), said.includes(keyFingerprint(given.hex))]).toEqual([false, true])
    expect(ran(() => removeOperator(settings, 'van')).code).toBe(2)
  })

  it('reads what openssl writes: a public key in PEM is that of the pair', () => {
    const { pem, hex, privatePem } = pair()
    expect(publicKeyIn(pem)).toBe(hex)
    expect(createPublicKey(privatePem).export({ format: 'pem', type: 'spki' })).toBe(pem)
  })
})
