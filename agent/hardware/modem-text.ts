import { smsCodes, smsLengths, type SmsAlphabet } from '../terms/terms.js'

/**
 * A message as it is typed at a modem's prompt in text mode. What every modem surely takes there are single 7-bit codes: the
 * escape that the extension table needs would cancel the message, and a header that binds parts together needs PDU mode or an
 * alphabet (HEX) that many lack. So signs of that table become look-alikes, and a long text goes as numbered messages.
 */
export interface TypedText {
  readonly alphabet: SmsAlphabet
  /** Each part as bytes to be typed. */
  readonly parts: readonly Uint8Array[]
}

/** A longer text is cut: nobody reads more on a phone, and each part is paid. */
export const mostTypedParts = 4
const prefixLength = '1/2 '.length

/** Signs that cannot be typed as one harmless code (Xi is Ctrl-Z, o with grave is a backspace), and what is read as the same. */
const lookAlikes: Readonly<Record<string, string>> = {
  '[': '(',
  ']': ')',
  '{': '(',
  '}': ')',
  '\\': '/',
  '|': '/',
  '^': "'",
  '~': '-',
  '`': "'",
  '€': 'EUR',
  Ξ: 'X',
  ò: 'o',
  µ: 'u',
  μ: 'u',
  '°': '',
  '²': '2',
  '³': '3',
}
const untypable = new Set([0x08, 0x0a, 0x0d, 0x1a, 0x1b])

/** @param onlySevenBit for a modem that does not take UCS-2: what the alphabet lacks becomes '?' */
export function typedText(text: string, onlySevenBit = false): TypedText {
  const line = text.replace(/[\s\p{Cc}]+/gu, ' ').trim()
  const plain = [...line].map((character) => lookAlikes[character] ?? character).join('')
  if ([...plain].every(isTypable)) return sevenBit(plain)
  if (onlySevenBit) return sevenBit(withoutOthers(plain))
  return {
    alphabet: 'ucs-2',
    parts: numbered([...line], smsLengths['ucs-2'].one).map((part) => Buffer.from(ucs2Hex(part), 'latin1')),
  }
}

/** Hex digits of UTF-16 units, as the alphabet "UCS2" of a modem writes texts and numbers (3GPP TS 27.005, 27.007 +CSCS). */
export const ucs2Hex = (text: string): string =>
  Buffer.from(text, 'utf16le').swap16().toString('hex').toUpperCase()

const codeOf = (character: string): number | undefined => {
  const codes = smsCodes(character)
  return codes?.length === 1 && !untypable.has(codes[0]) ? codes[0] : undefined
}
const isTypable = (character: string): boolean => codeOf(character) !== undefined

const sevenBit = (text: string): TypedText => ({
  alphabet: '7-bit',
  parts: numbered([...text], smsLengths['7-bit'].one).map((part) =>
    Uint8Array.from([...part].map((character) => codeOf(character)!)),
  ),
})

/** Accents go, what is left of another script is '?'. */
function withoutOthers(text: string): string {
  const bare = text.normalize('NFD').replace(/\p{M}/gu, '')
  return [...bare].map((character) => (isTypable(character) ? character : '?')).join('')
}

/** The text alone where it fits, else as '1/3 …', '2/3 …', divided between words where that costs less than a third. */
function numbered(characters: readonly string[], mostUnits: number): string[] {
  if (characters.join('').length <= mostUnits) return [characters.join('')]
  const room = mostUnits - prefixLength
  const pieces: string[] = []
  let rest = characters
  while (rest.length > 0) {
    const length = pieceLength(rest, room)
    pieces.push(rest.slice(0, length).join('').trim())
    rest = rest.slice(length)
  }
  const kept = pieces.slice(0, mostTypedParts)
  if (kept.length < pieces.length) kept.push(`${kept.pop()!.slice(0, room - 3)}...`)
  return kept.map((piece, i) => `${i + 1}/${kept.length} ${piece}`)
}

/** Characters that fit; a pair of units is never cut. */
function pieceLength(characters: readonly string[], room: number): number {
  let units = 0
  let fitting = 0
  while (fitting < characters.length && units + characters[fitting].length <= room)
    units += characters[fitting++].length
  if (fitting === characters.length) return fitting
  const blank = characters.lastIndexOf(' ', fitting)
  return blank > (fitting * 2) / 3 ? blank + 1 : fitting
}
