/**
 * The text of an SMS as bits (3GPP TS 23.038: 7-bit default alphabet with its extension table, and UCS-2; 3GPP TS 23.040:
 * parts of a long message and their header). What is in the 7-bit alphabet goes out in it; one character outside it turns
 * the whole message into UCS-2.
 */

export type SmsAlphabet = '7-bit' | 'ucs-2'

export interface SmsPart {
  readonly text: string
  /**
   * In the units of the alphabet: 7-bit codes (0x1B and a second one for a character of the extension table) or UTF-16
   * units. Codes 0x1A (the letter Xi), 0x1B and 0x0D end, cancel or divide the text in a modem's text mode.
   */
  readonly units: readonly number[]
  /** TP-UD: the octets on the air, at most 140; a part of several begins with its header. */
  readonly userData: Uint8Array
  /** TP-UDL: septets in the 7-bit alphabet, octets in UCS-2; the header counts. */
  readonly userDataLength: number
}

export interface EncodedSms {
  readonly alphabet: SmsAlphabet
  /** Units of all parts together, headers left out. */
  readonly units: number
  readonly parts: readonly SmsPart[]
}

/** Units of a message that is alone, and of each part of a longer one. */
export const smsLengths = { '7-bit': { one: 160, part: 153 }, 'ucs-2': { one: 70, part: 67 } } as const

/** A message has at most so many parts (one octet of the header says how many). */
export const mostSmsParts = 255

const escapeCode = 0x1b

/** By code; the escape is a character that no text has. */
const basic = [
  '@£$¥èéùìòÇ\nØø\rÅå',
  'Δ_ΦΓΛΩΠΨΣΘΞ\u001bÆæßÉ',
  ' !"#¤%&\'()*+,-./',
  '0123456789:;<=>?',
  '¡ABCDEFGHIJKLMNO',
  'PQRSTUVWXYZÄÖÑÜ§',
  '¿abcdefghijklmno',
  'pqrstuvwxyzäöñüà',
].join('')

const extension: Readonly<Record<string, number>> = {
  '\f': 0x0a,
  '^': 0x14,
  '{': 0x28,
  '}': 0x29,
  '\\': 0x2f,
  '[': 0x3c,
  '~': 0x3d,
  ']': 0x3e,
  '|': 0x40,
  '€': 0x65,
}

const codesOf: ReadonlyMap<string, readonly number[]> = new Map<string, readonly number[]>([
  ...[...basic].map((character, code): [string, number[]] => [character, [code]]),
  ...Object.entries(extension).map(([character, code]): [string, number[]] => [
    character,
    [escapeCode, code],
  ]),
])
const extended: ReadonlyMap<number, string> = new Map(
  Object.entries(extension).map(([character, code]) => [code, character]),
)

/** The 7-bit codes of one character, or undefined where the alphabet does not have it. */
export function smsCodes(character: string): readonly number[] | undefined {
  return character === '\u001b' ? undefined : codesOf.get(character)
}

/** Text of 7-bit codes as they came in; after an escape an unknown code is its basic letter (TS 23.038, 6.2.1.1). */
export function smsTextOf(codes: Iterable<number>): string {
  let text = ''
  let isEscaped = false
  for (const code of codes) {
    if (isEscaped) text += extended.get(code & 0x7f) ?? basic[code & 0x7f]!
    else if (code !== escapeCode) text += basic[code & 0x7f]!
    isEscaped = !isEscaped && code === escapeCode
  }
  return text
}

/**
 * @param text any text; an unpaired surrogate goes out as it is
 * @param reference the same for all parts of one message, 0 to 255
 * @returns one part at least; more than `mostSmsParts` cannot be sent
 */
export function encodeSms(text: string, reference = 0): EncodedSms {
  const characters = [...text]
  const sevenBit = characters.map((character) => smsCodes(character))
  const fits = sevenBit.every((codes) => codes !== undefined)
  const alphabet = fits ? '7-bit' : 'ucs-2'
  const units = fits ? sevenBit : characters.map(utf16Of)
  const pieces = divided(characters, units, alphabet)
  return {
    alphabet,
    units: units.reduce((sum, each) => sum + each.length, 0),
    parts: pieces.map((piece, index) => part(alphabet, piece, headerOf(reference, pieces.length, index + 1))),
  }
}

interface Piece {
  text: string
  units: number[]
}

/** No character is cut in two: neither an escape pair nor a surrogate pair. */
function divided(
  characters: readonly string[],
  units: readonly (readonly number[])[],
  alphabet: SmsAlphabet,
): Piece[] {
  const { one, part: most } = smsLengths[alphabet]
  const isOne = units.reduce((sum, each) => sum + each.length, 0) <= one
  const pieces: Piece[] = [{ text: '', units: [] }]
  characters.forEach((character, index) => {
    let last = pieces.at(-1)!
    if (!isOne && last.units.length + units[index]!.length > most) {
      last = { text: '', units: [] }
      pieces.push(last)
    }
    last.text += character
    last.units.push(...units[index]!)
  })
  return pieces
}

/** TS 23.040, 9.2.3.24.1: five octets follow, of which element 0 has three: reference, parts, this part. */
function headerOf(reference: number, parts: number, number: number): readonly number[] {
  return parts === 1 ? [] : [5, 0, 3, reference & 0xff, parts & 0xff, number & 0xff]
}

function part(alphabet: SmsAlphabet, { text, units }: Piece, header: readonly number[]): SmsPart {
  if (alphabet === 'ucs-2') {
    const octets = units.flatMap((unit) => [unit >> 8, unit & 0xff])
    const userData = Uint8Array.from([...header, ...octets])
    return { text, units, userData, userDataLength: userData.length }
  }
  const headerSeptets = Math.ceil((header.length * 8) / 7)
  const packed = packSeptets(units, headerSeptets * 7 - header.length * 8)
  const userData = Uint8Array.from([...header, ...packed])
  return { text, units, userData, userDataLength: headerSeptets + units.length }
}

/** @param fillBits zero bits before the first code, so that it begins on a septet boundary behind a header */
export function packSeptets(codes: readonly number[], fillBits = 0): Uint8Array {
  const octets = new Uint8Array(Math.ceil((fillBits + codes.length * 7) / 8))
  codes.forEach((code, index) => {
    const bit = fillBits + index * 7
    const shifted = (code & 0x7f) << (bit % 8)
    octets[bit >> 3]! |= shifted & 0xff
    if (shifted > 0xff) octets[(bit >> 3) + 1]! |= shifted >> 8
  })
  return octets
}

/** @param count septets that are meant; fewer where the octets end before */
export function unpackSeptets(octets: Uint8Array, count: number, fillBits = 0): number[] {
  const fitting = Math.max(0, Math.min(count, Math.floor((octets.length * 8 - fillBits) / 7)))
  return Array.from({ length: fitting }, (_, index) => {
    const bit = fillBits + index * 7
    const pair = octets[bit >> 3]! | ((octets[(bit >> 3) + 1] ?? 0) << 8)
    return (pair >> (bit % 8)) & 0x7f
  })
}

function utf16Of(character: string): readonly number[] {
  return Array.from({ length: character.length }, (_, index) => character.charCodeAt(index))
}
