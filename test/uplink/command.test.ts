/** Signed commands: what is read, what is refused and why, and bytes that nobody meant. */
import { createPrivateKey, createPublicKey, sign } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import { utcMillis } from '../../agent/terms/terms.js'
import {
  commandText,
  judgeCommand,
  longestCommandBytes,
  readCommand,
  signedCommand,
  type Command,
  type Signer,
} from '../../agent/uplink/uplink.js'
import { longestParsed, must, throughAll, type Mutations } from '../support/mutations.js'
import { newKey } from '../support/keys.js'

const { publicKey: hex, sign: signing } = newKey()
const at = utcMillis(Date.UTC(2026, 2, 1, 12))
const here = { group: 'slate-hollow', station: 'gate' }
const command: Command = {
  ...here,
  boot: '0a1b2c3d',
  key: hex,
  number: 7,
  from: at,
  until: utcMillis(at + 3_600_000),
  do: 'mute',
  with: { what: 'all', hours: 2 },
}
const operator: Signer = { role: 'operator', publicKey: hex, name: 'anna' }
const reader: Signer = { ...operator, role: 'reader' }
const reasonOf = (payload: Uint8Array, signers = [operator]): string => {
  const read = readCommand(payload, here, signers)
  return read.ok ? 'read' : read.reason
}

describe('a signed command', () => {
  it('is read as it was signed', () => {
    expect(readCommand(signedCommand(command, signing), here, [operator])).toEqual({
      ok: true,
      command: { v: 1, ...command },
      signer: operator,
    })
  })

  it('verifies with the key and signature of RFC 8032, 7.1, test 2', () => {
    // The check is of the key form: seed and public key of the document belong together by node:crypto, as we build keys.
    const seed = '4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb'
    const der = Buffer.from('302e020100300506032b657004220420' + seed, 'hex')
    const key = createPrivateKey({ key: der, format: 'der', type: 'pkcs8' })
    const known = '3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c'
    const derived = createPublicKey(key).export({ format: 'der', type: 'spki' })
    expect(derived.subarray(-32).toString('hex')).toBe(known)
    expect(sign(null, Buffer.from('72', 'hex'), key).toString('hex')).toBe(
      '92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00',
    )
    const payload = signedCommand({ ...command, key: known }, (bytes) => sign(null, bytes, key))
    expect(reasonOf(payload, [{ ...operator, publicKey: known }])).toBe('read')
  })

  it.each([
    ['of a key that is not noted here', signedCommand(command, signing), [], 'foreign-key'],
    [
      'for another station',
      signedCommand({ ...command, station: 'ridge' }, signing),
      [operator],
      'other-station',
    ],
    [
      'for another group',
      signedCommand({ ...command, group: 'oakfield' }, signing),
      [operator],
      'other-station',
    ],
    [
      'signed by another key',
      signedCommand(command, () => new Uint8Array(64)),
      [operator],
      'wrong-signature',
    ],
    [
      'with a number below 1',
      signedCommand({ ...command, number: 0 }, signing),
      [operator],
      'not-understood',
    ],
    [
      'with a window of more than a week',
      signedCommand({ ...command, until: utcMillis(at + 8 * 86_400_000) }, signing),
      [operator],
      'not-understood',
    ],
    ['that is oversized', new Uint8Array(longestCommandBytes + 1), [operator], 'too-large'],
    [
      'of a key that is no point of the curve',
      signedCommand({ ...command, key: 'f'.repeat(64) }, signing),
      [{ ...operator, publicKey: 'f'.repeat(64) }],
      'wrong-signature',
    ],
  ] as [string, Uint8Array, Signer[], string][])('is refused: one %s', (_, payload, signers, reason) => {
    expect(reasonOf(payload, signers)).toBe(reason)
  })

  it('is refused where its text is not the canonical one, although the signature holds', () => {
    const text = commandText(command).replace('{"v":1,', '{"v":1,"do":"restart",')
    const bytes = Buffer.from(`motepost command\n${text}`)
    const payload = Buffer.from(`${text}\n${Buffer.from(signing(bytes)).toString('hex')}`)
    expect(reasonOf(payload)).toBe('not-understood')
  })

  it('is refused where the signature is one of the bare text', () => {
    const text = commandText(command)
    const payload = Buffer.from(`${text}\n${Buffer.from(signing(Buffer.from(text))).toString('hex')}`)
    expect(reasonOf(payload)).toBe('wrong-signature')
  })

  it('is judged by boot, window, number and role, in this order', () => {
    const place = { boot: '0a1b2c3d', utc: at, lastNumber: 6, mayRead: (what: string) => what === 'health' }
    const judged = (more: object, signer = operator, change: object = {}): string | undefined =>
      judgeCommand({ command: { ...command, ...change }, signer }, { ...place, ...more })
    expect(judged({})).toBeUndefined()
    expect(judged({ boot: 'ffffffff', utc: utcMillis(0) })).toBe('other-boot')
    expect(judged({ utc: utcMillis(at - 200_000) })).toBe('too-early')
    expect(judged({ utc: utcMillis(at + 3_800_000) })).toBe('too-late')
    expect(judged({ utc: undefined })).toBeUndefined()
    expect(judged({ lastNumber: 7 })).toBe('replayed')
    expect(judged({}, reader)).toBe('not-allowed')
    expect(judged({}, reader, { do: 'health' })).toBeUndefined()
  })
})

describe('bytes that nobody meant', () => {
  it('are refused with a reason, and no bent command is taken', () => {
    const whole = Buffer.from(signedCommand(command, signing))
    const nested = `{"a":${'['.repeat(4000)}${']'.repeat(4000)}}`
    const deep = Buffer.from(
      signedCommand({ ...command, with: JSON.parse(nested) as Record<string, unknown> }, signing),
    )
    const ends = throughAll({
      what: 'bent commands',
      inputs: 30_000,
      make: (mutations) => {
        if (mutations.once(20)) return mutations.bent(deep, whole)
        // Signed rightly all the same: whoever has a key may sign anything.
        return mutations.once(4) ? signedAnyway(mutations) : mutations.bent(whole)
      },
      hold: (payload) => {
        const { value: read, characters } = longestParsed(() => readCommand(payload, here, [operator]))
        must(characters <= longestCommandBytes, `${characters} characters were decoded`)
        if (!read.ok) return read.reason
        const { command: taken } = read
        const [text, signature] = Buffer.from(payload).toString().split('\n')
        must(commandText(taken) === text && signature.length === 128, 'not as it is written')
        must(taken.station === here.station && taken.key === hex && taken.number >= 1, 'of another')
        must(taken.until - taken.from <= 7 * 86_400_000 && taken.until >= taken.from, 'of no window')
        return 'read'
      },
    })
    for (const reason of ['not-understood', 'wrong-signature', 'other-station', 'foreign-key', 'read'])
      expect(ends.get(reason), reason).toBeGreaterThan(10)
  })
})

/** A right signature over a bent text. */
function signedAnyway(mutations: Mutations): Uint8Array {
  const whole = commandText({ ...command, with: mutations.bentPart(command.with) as Record<string, unknown> })
  const text = mutations.once(3) ? whole : mutations.bentText(whole)
  const signature = Buffer.from(signing(Buffer.from(`motepost command\n${text}`))).toString('hex')
  return Buffer.from(`${text}\n${signature}`)
}
