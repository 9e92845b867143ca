import { isDay, parseUtc, utcMillis, utcText, type UtcMillis } from '../terms/terms.js'

/** Where local time comes from: a zone with its summers, or a fixed offset. */
export interface Place {
  readonly timeZone?: string
  readonly standardOffsetMinutes: number
}

export type LocalRead =
  { readonly ok: true; readonly text: string } | { readonly ok: false; readonly words: string }

const shape = /^(?:(\d{4}-\d\d-\d\d)[T ]|(yesterday) )?([01]?\d|2[0-3]):([0-5]\d)$/i
const dayMillis = 86_400_000

/**
 * A time from a notebook, in the local time of the place: '08:30' (today), 'yesterday 08:30', '2026-03-01 08:30'. What
 * says its own offset, and 'now', are handed on as they are. Answers with UTC text, or with why nobody can tell.
 */
export function readLocalTime(given: string, place: Place, now: UtcMillis): LocalRead {
  const m = shape.exec(given.trim())
  if (!m) return { ok: true, text: given }
  const [, date, yesterday, hours, minutes] = m
  const today = localText(now, place).slice(0, 10)
  const midnight = Date.parse(`${date ?? today}T00:00:00Z`) - (yesterday ? dayMillis : 0)
  if (Number.isNaN(midnight) || (date !== undefined && !isDay(date))) return { ok: true, text: given }
  const asIfUtc = midnight + (Number(hours) * 60 + Number(minutes)) * 60_000
  const found = instantsOf(asIfUtc, place)
  if (found.length === 1) return { ok: true, text: utcText(found[0]) }
  if (found.length === 0) return { ok: false, words: `${given} did not exist: the clocks went forward then` }
  const both = found.map((at) => offsetText(offsetAt(at, place))).join(' or ')
  return { ok: false, words: `${given} came twice that night; add which is meant: ${both}` }
}

/** The instants at which the clocks of a place show this time: usually one. */
function instantsOf(asIfUtc: number, place: Place): UtcMillis[] {
  const offsets = new Set([-dayMillis, dayMillis].map((by) => offsetAt(utcMillis(asIfUtc + by), place)))
  const instants = [...offsets].map((offset) => utcMillis(asIfUtc - offset * 60_000))
  return instants.filter((at) => at + offsetAt(at, place) * 60_000 === asIfUtc).sort((a, b) => a - b)
}

/** Minutes that the clocks of a place are ahead of UTC at an instant. */
export function offsetAt(at: UtcMillis, { timeZone, standardOffsetMinutes }: Place): number {
  if (timeZone === undefined) return standardOffsetMinutes
  const parts = new Intl.DateTimeFormat('en-US', { timeZone, timeZoneName: 'longOffset' }).formatToParts(at)
  const m = /([+-])(\d\d):(\d\d)/.exec(parts.find(({ type }) => type === 'timeZoneName')?.value ?? '')
  return m ? (m[1] === '-' ? -1 : 1) * (Number(m[2]) * 60 + Number(m[3])) : 0
}

export function offsetText(minutes: number): string {
  const size = Math.abs(minutes)
  const two = (n: number): string => String(n).padStart(2, '0')
  return `${minutes < 0 ? '-' : '+'}${two(Math.floor(size / 60))}:${two(size % 60)}`
}

/** '2026-03-01 08:30' as the clocks of the place show it. */
export const localText = (at: UtcMillis, place: Place): string =>
  new Date(at + offsetAt(at, place) * 60_000).toISOString().slice(0, 16).replace('T', ' ')

/** The same for UTC text; 'time not known' for none. */
export function localOfText(text: string | undefined, place: Place): string {
  const at = text === undefined ? undefined : parseUtc(text)
  return at === undefined ? 'time not known' : localText(at, place)
}

/** Letters that people know a time of a zone by differ from one English to another: where one has none, it says GMT+1. */
const englishes = ['en-GB', 'en-IE', 'en-US', 'en-AU', 'en-NZ', 'en-ZA', 'en-IN']
const lettersShape = /^[A-Z]{2,5}$/

/** 'CET' or 'CEST' by the zone's own summers; where no letters are in use, or no zone is known, 'UTC+05:45'. */
export function zoneWord(at: UtcMillis, place: Place): string {
  const { timeZone } = place
  for (const english of timeZone === undefined ? [] : englishes) {
    const format = new Intl.DateTimeFormat(english, { timeZone, timeZoneName: 'short' })
    const word = format.formatToParts(at).find(({ type }) => type === 'timeZoneName')?.value ?? ''
    if (lettersShape.test(word)) return word
  }
  const minutes = offsetAt(at, place)
  return minutes === 0 ? 'UTC' : `UTC${offsetText(minutes)}`
}

/** '2026-03-29 14:00 CEST': watch time as a message tells it. */
export const watchText = (at: UtcMillis, place: Place): string =>
  `${localText(at, place)} ${zoneWord(at, place)}`
