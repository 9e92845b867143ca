import { encodeSms, smsLengths } from '../terms/terms.js'

/** A piece of a message and what may be said in its place where it is too long. */
export interface Piece {
  readonly text: string
  /** In the order in which pieces are shortened: the highest first. 0 or absent: never. */
  readonly rank?: number
  /** What stays of it; nothing where it is absent. */
  readonly short?: string
  /** What stays where that is still too long. */
  readonly least?: string
}

/** A name that has no form in the 7-bit alphabet is worth some more SMS, but not any number of them. */
export const mostParts = 3

/** Characters of the alphabet that the message is in that one SMS, or the most parts of a UCS-2 one, take. */
const room = (alphabet: '7-bit' | 'ucs-2'): number =>
  alphabet === '7-bit' ? smsLengths['7-bit'].one : smsLengths['ucs-2'].part * mostParts

/** The pieces as one text, as many of them whole as fit. */
export function fitted(pieces: readonly Piece[]): string {
  const texts = pieces.map(({ text }) => text)
  const order = pieces
    .map(({ rank = 0 }, index) => ({ rank, index }))
    .filter(({ rank }) => rank > 0)
    .sort((a, b) => b.rank - a.rank)
  for (const form of [shortOf, leastOf])
    for (const { index } of order) {
      if (fits(texts.join(''))) break
      // What is not said in full is not said in short.
      if (texts[index] !== '') texts[index] = form(pieces[index]!)
    }
  return cut(texts.join(''))
}

const shortOf = ({ short = '' }: Piece): string => short
const leastOf = ({ short = '', least = short }: Piece): string => least

function fits(text: string): boolean {
  const { alphabet, units } = encodeSms(text)
  return units <= room(alphabet)
}

/** The end is kept: the code stands there. Reached by own words of the settings only. */
function cut(text: string): string {
  if (fits(text)) return text
  const end = text.slice(-10)
  const body = [...text.slice(0, -10)]
  while (body.length > 0 && !fits(`${body.join('')}..${end}`)) body.splice(-Math.max(1, body.length >> 4))
  return `${body.join('')}..${end}`
}

/** The beginning of a text, with a sign that there was more. */
export const shortened = (text: string, most: number): string =>
  text.length <= most ? text : `${text.slice(0, most - 2).trimEnd()}..`
