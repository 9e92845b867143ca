/** How each part of an entry is read from text and written as text. What is read back from its own text is the same. */
import { isSlot, numberText, utcMillis, utcText, type UtcMillis } from '../terms/terms.js'
import { fault, shown, type EntryFault, type EntryFaultCode } from './faults.js'
import { effects, siteKindNames, textLimits, zeroResults, type EntryField, type SiteEntry } from './kinds.js'

type Read<T> = { readonly value: T } | { readonly fault: EntryFault }

interface Cell<T> {
  read(given: unknown): Read<T>
  write(value: T): string
}

type Cells = { readonly [F in EntryField]-?: Cell<NonNullable<SiteEntry[F]>> }

const no = (field: EntryField, code: EntryFaultCode, words: string) => ({ fault: fault(field, code, words) })

/** Line breaks and other control characters, halves of pairs, and what makes a line read otherwise than it is written. */
const notOneLine = /[\p{Cc}\p{Cs}\u2028\u2029\u202a-\u202e\u2066-\u2069]/u

/** Everything that is text: one line, trimmed, not empty. */
function readText(field: EntryField, given: unknown, longest: number): Read<string> {
  if (typeof given !== 'string') return no(field, 'not-text', `must be text (in quotes), not ${shown(given)}`)
  const text = given.trim()
  if (text === '') return no(field, 'empty', `is empty; leave it out or give 1 to ${longest} characters`)
  if (text.length > longest)
    return no(field, 'too-long', `has ${text.length} characters; at most ${longest} are allowed`)
  if (notOneLine.test(text))
    return no(
      field,
      'not-one-line',
      'has a line break or control character; allowed is one line of plain text',
    )
  return { value: text }
}

const textCell = (field: keyof typeof textLimits): Cell<string> => ({
  read: (given) => readText(field, given, textLimits[field]),
  write: (value) => value,
})

/** Case and the choice of '_' or ' ' for '-' are slips of the hand. */
function wordCell<W extends string>(field: EntryField, code: EntryFaultCode, words: readonly W[]): Cell<W> {
  return {
    read(given) {
      const word = typeof given === 'string' ? given.trim().toLowerCase().replace(/[_ ]/g, '-') : given
      const known = words.find((one) => one === word)
      if (known !== undefined) return { value: known }
      return no(field, code, `${shown(given)} is not known; allowed: ${words.join(', ')}`)
    },
    write: (value) => value,
  }
}

const timeWords = "allowed: a time in UTC such as 2026-03-01T08:30Z, one with its offset (+02:00), or 'now'"
const timeShape =
  /^(\d{4}-\d\d-\d\d)[T ]([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.\d{1,3})?)? ?(Z|([+-])(0\d|1[0-4]):([0-5]\d))$/i

/** Whole seconds, fractions dropped: what was is never made later than it was. */
function readTime(text: string): UtcMillis | undefined {
  const m = timeShape.exec(text)
  if (!m) return undefined
  const midnight = Date.parse(`${m[1]}T00:00:00Z`)
  // Some runtimes turn 30 February into 2 March.
  if (Number.isNaN(midnight) || new Date(midnight).toISOString().slice(0, 10) !== m[1]) return undefined
  const minutes = Number(m[2]) * 60 + Number(m[3])
  const east = m[6] ? (m[6] === '-' ? -1 : 1) * (Number(m[7]) * 60 + Number(m[8])) : 0
  return utcMillis(midnight + (minutes - east) * 60_000 + Number(m[4] ?? 0) * 1000)
}

const timeCell = (field: EntryField): Cell<UtcMillis | 'now'> => ({
  read(given) {
    const text = typeof given === 'string' ? given.trim() : ''
    if (text.toLowerCase() === 'now') return { value: 'now' }
    const time = readTime(text)
    return time === undefined
      ? no(field, 'not-a-time', `${shown(given)} is no time; ${timeWords}`)
      : { value: time }
  },
  write: (value) => (value === 'now' ? 'now' : utcText(value)),
})

function numberCell(field: EntryField, lowest: number, highest: number, decimals: number): Cell<number> {
  return {
    read(given) {
      const text = typeof given === 'number' ? String(given) : typeof given === 'string' ? given.trim() : ''
      const value = /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : NaN
      if (value >= lowest && value <= highest && (decimals > 0 || Number.isInteger(value)))
        return { value: Number(numberText(value, decimals)) }
      const kind = decimals > 0 ? 'a number (with a point, not a comma)' : 'a whole number'
      return no(
        field,
        'not-a-number',
        `${shown(given)} is not allowed; allowed: ${kind} from ${lowest} to ${highest}`,
      )
    },
    write: (value) => numberText(value, decimals),
  }
}

const slotCell: Cell<string> = {
  read(given) {
    if (typeof given === 'string' && isSlot(given.trim())) return { value: given.trim() }
    return no('slot', 'not-a-slot', `${shown(given)} is no slot; allowed: 1 to 12 letters a-z and digits`)
  },
  write: (value) => value,
}

const withdrawCell: Cell<true> = {
  read(given) {
    if (given === true || given === 'yes' || given === 'true') return { value: true }
    return no('withdraw', 'not-allowed', `${shown(given)} is not allowed; allowed: yes, or leave it out`)
  },
  write: () => 'yes',
}

export const cells: Cells = {
  kind: wordCell('kind', 'unknown-kind', siteKindNames),
  effect: wordCell('effect', 'not-allowed', effects),
  who: textCell('who'),
  note: textCell('note'),
  slot: slotCell,
  from: timeCell('from'),
  to: timeCell('to'),
  place: textCell('place'),
  oldSerial: textCell('oldSerial'),
  newSerial: textCell('newSerial'),
  name: textCell('name'),
  reason: textCell('reason'),
  result: wordCell('result', 'not-allowed', zeroResults),
  offsetMicrogramsPerM3: numberCell('offsetMicrogramsPerM3', -1000, 10_000, 2),
  usedSeconds: numberCell('usedSeconds', 0, 86_400, 0),
  corrects: numberCell('corrects', 1, 999_999_999_999_999, 0),
  withdraw: withdrawCell,
  why: textCell('why'),
}
