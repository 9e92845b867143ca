import { createHash } from 'node:crypto'

/** Neither of a pair that is read or typed for one another: no B and 8, G and 6, I and 1, O and 0, S and 5, Z and 2. */
const letters = 'ACDEFHJKMNPRTUVWXY'
const digits = '34679'
const tries = 32

const codeShape = /^[A-Z]\d[A-Z]\d$/

/**
 * Four characters, letter and digit by turns, so that no word is taken for one. Made from the store and the number of the
 * line, so that a second message after a kill carries the same.
 * @param isTaken another alert has it at present
 */
export function shortCode(storeId: string, id: number, isTaken: (code: string) => boolean): string {
  let code = ''
  for (let attempt = 0; attempt < tries; attempt++) {
    const bytes = createHash('sha256').update(`${storeId} ${id} ${attempt}`).digest()
    code = [...bytes.subarray(0, 4)]
      .map((byte, i) => (i % 2 === 0 ? letters[byte % letters.length] : digits[byte % digits.length]))
      .join('')
    if (!isTaken(code)) break
  }
  return code
}

/** The code that a text holds, as it is shown; undefined: none. */
export function codeIn(words: readonly string[]): string | undefined {
  return words.map((word) => word.toUpperCase()).find((word) => codeShape.test(word))
}

/** Tells a second attempt from a second message. Nothing of it leads back to a person or a number. */
export function messageKey(storeId: string, rule: string, id: number, alias: string): string {
  return createHash('sha256').update(`${storeId} ${rule} ${id} ${alias}`).digest('hex').slice(0, 32)
}
