/**
 * What comes back on a station's topics `alive` and `reply`. Nobody signs it: whoever may write there, or runs the broker, can make
 * it up. So it is bounded before it is decoded, believed only in its types, and shown so that it moves no terminal's cursor.
 */
import { factsIn, listIn, readBoundedJson, type Facts } from '../terms/terms.js'
import { plainLines } from './plain-text.js'

/** The whole of a health message is the longest answer. */
export const answerLimits = { bytes: 256 * 1024, depth: 16, items: 20_000 } as const

/** Nothing where it is no JSON object within the limits. Never throws. */
export function readAnswer(payload: Uint8Array): Facts {
  const read = readBoundedJson(payload, answerLimits)
  return read.ok ? read.facts : {}
}

/** First eight hex digits of the boot that a message names. */
export const bootIn = ({ boot }: Facts): string | undefined =>
  typeof boot === 'string' && /^[0-9a-f]{8}$/.test(boot) ? boot : undefined

/** An answer for a person. */
export function answerText({ ok, words, refused, health, faults }: Facts, station: string): string {
  if (health !== undefined) return plainLines(JSON.stringify(health, undefined, 2))
  const what = wordsIn(words) ?? faultWords(faults) ?? (ok === true ? 'done' : 'refused')
  const reason = typeof refused === 'string' ? ` (${refused})` : ''
  return plainLines(`${station}: ${what}${reason}`)
}

function wordsIn(words: unknown): string | undefined {
  if (words === undefined) return undefined
  return typeof words === 'string' ? words : JSON.stringify(words)
}

/** What is wrong with an entry for the site log, all at once. */
function faultWords(faults: unknown): string | undefined {
  const words = listIn(faults, 100).flatMap((one) => wordsIn(factsIn(one).words) ?? [])
  return words.length === 0 ? undefined : words.join('; ')
}

/** The same for a program: one line. */
export const answerJson = (answer: Facts): string => plainLines(JSON.stringify(answer))
