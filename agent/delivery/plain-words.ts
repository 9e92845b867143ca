/**
 * A form of any text that an SMS takes in its 7-bit alphabet and every modem takes in text mode: printable ASCII without the
 * characters that cost two codes. One micro sign would turn 160 characters into 70.
 */
const ownForms: Readonly<Record<string, string>> = {
  µ: 'u',
  μ: 'u',
  '°': ' deg ',
  '€': 'EUR',
  ß: 'ss',
  æ: 'ae',
  Æ: 'AE',
  œ: 'oe',
  Œ: 'OE',
  ø: 'o',
  Ø: 'O',
  đ: 'd',
  Đ: 'D',
  ł: 'l',
  Ł: 'L',
  ı: 'i',
  '‘': "'",
  '’': "'",
  '“': '"',
  '”': '"',
  '–': '-',
  '—': '-',
  '≥': '>=',
  '≤': '<=',
  '×': 'x',
  '[': '(',
  ']': ')',
  '{': '(',
  '}': ')',
  '\\': '/',
  '|': '/',
  '~': '-',
  '^': '',
  '`': "'",
}

const marks = /\p{M}/gu
const printable = /^[ -~]*$/
const space = /[\s\p{Cc}]+/gu

/** What has no plain form stays as it is; spaces and line ends become one space. */
export function plainWords(text: string): string {
  const units = text.replace(/°\s*C\b/g, 'C')
  return [...units.normalize('NFC')].map(plainCharacter).join('').replace(space, ' ').trim()
}

export const isPlain = (text: string): boolean => printable.test(text)

function plainCharacter(character: string): string {
  const own = ownForms[character]
  if (own !== undefined) return own
  if (printable.test(character)) return character
  const bare = character.normalize('NFKD').replace(marks, '')
  return printable.test(bare) ? bare : character
}
