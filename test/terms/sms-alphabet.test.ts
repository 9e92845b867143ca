import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  encodeSms,
  packSeptets,
  smsCodes,
  smsLengths,
  smsTextOf,
  unpackSeptets,
} from '../../agent/terms/terms.js'
import { sharedJson, type AirCheck } from '../support/shared-reference.js'

const seed = 2303840
console.info(`sms alphabet seed ${seed}`)

/** ../shared/reference: rules of 3GPP TS 23.038 and 23.040 as read there, numbers computed apart from this project. */
const checks = sharedJson<AirCheck[]>('reference/sound-wind-power-checks.json')
const check = (id: string): AirCheck | undefined => checks?.find((each) => each.id === id)
const hex = (octets: Uint8Array): string => Buffer.from(octets).toString('hex')

const everyCharacter = Array.from({ length: 0x2fff }, (_, code) => String.fromCharCode(code)).filter(
  (character) => smsCodes(character) !== undefined,
)

describe('the alphabet of an SMS', () => {
  it('has 127 characters and ten of two codes each', () => {
    const codes = everyCharacter.map((character) => smsCodes(character)!)
    expect(codes.filter(({ length }) => length === 1)).toHaveLength(127)
    expect(codes.filter(({ length }) => length === 2)).toHaveLength(10)
    expect(new Set(codes.map(String)).size).toBe(137)
  })

  it('has neither micro, degree, superscript three, backtick nor the small c with cedilla', () => {
    for (const character of 'µ°³`ç\u001b') expect(smsCodes(character), character).toBeUndefined()
    // TS 23.038, 6.2.1 and 6.2.1.1
    for (const [character, codes] of [
      ['@', [0]],
      ['Δ', [0x10]],
      ['Ξ', [0x1a]],
      ['¡', [0x40]],
      ['à', [0x7f]],
      ['€', [0x1b, 0x65]],
      ['{', [0x1b, 0x28]],
    ] as const)
      expect(smsCodes(character), character).toEqual(codes)
  })

  it.skipIf(!checks)('counts parts of the reference texts as the reference does', () => {
    const { inputs, expected } = check('sms-segments')!
    inputs.texts.forEach(({ label, text }: { label: string; text: string }, index: number) => {
      const { alphabet, units, parts } = encodeSms(text)
      const encoding = alphabet === '7-bit' ? 'gsm7' : 'ucs2'
      expect({ encoding, units, segments: parts.length }, label).toEqual(expected.results[index])
    })
  })

  it.skipIf(!checks)('packs the reference texts to the octets of the reference', () => {
    const { inputs, expected } = check('sms-gsm7-pack')!
    inputs.texts.forEach((text: string, index: number) => {
      const [part] = encodeSms(text).parts
      expect(hex(part!.userData), text).toBe(expected.packed_hex[index])
      expect(part!.userDataLength, text).toBe(expected.septets[index])
    })
  })

  it('begins each part of several with its number behind one fill bit', () => {
    const { parts } = encodeSms('a'.repeat(307), 0x2a)
    expect(parts.map(({ userData }) => hex(userData.subarray(0, 6)))).toEqual([
      '0500032a0301',
      '0500032a0302',
      '0500032a0303',
    ])
    expect(parts.map(({ userDataLength }) => userDataLength)).toEqual([160, 160, 8])
    // 'a' is 0x61: one bit to the left behind the header it is 0xc2.
    expect(parts.at(-1)!.userData.at(6)).toBe(0xc2)
  })

  it('takes any text apart and together again, no part longer than it may be', () => {
    const texts = fc.oneof(
      fc.string({ unit: fc.constantFrom(...everyCharacter), maxLength: 700 }),
      fc.string({ unit: 'binary', maxLength: 300 }),
    )
    const property = fc.property(texts, fc.nat(255), (text, reference) => {
      const { alphabet, parts } = encodeSms(text, reference)
      const most = smsLengths[alphabet][parts.length === 1 ? 'one' : 'part']
      for (const part of parts) {
        expect(part.units.length).toBeLessThanOrEqual(most)
        expect(part.userData.length).toBeLessThanOrEqual(140)
        const header = parts.length === 1 ? 0 : 6
        const body = part.userData.subarray(header)
        const read =
          alphabet === '7-bit'
            ? smsTextOf(unpackSeptets(body, part.userDataLength - (header ? 7 : 0), header ? 1 : 0))
            : Buffer.from(body).swap16().toString('utf16le')
        expect(read).toBe(part.text)
      }
      expect(parts.map(({ text: piece }) => piece).join('')).toBe(text)
    })
    fc.assert(property, { seed, numRuns: 500 })
  })

  it('reads octets that end too early and codes that are not in the tables', () => {
    expect(unpackSeptets(packSeptets([1, 2, 3]), 9)).toEqual([1, 2, 3])
    expect(smsTextOf([0x1b, 0x41, 0x1b])).toBe('A')
    expect(encodeSms('').parts).toMatchObject([{ text: '', userDataLength: 0 }])
  })
})
