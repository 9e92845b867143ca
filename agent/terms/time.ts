/**
 * Two clocks that must never be mixed, as types that do not mix.
 *
 * `MonoSeconds` is time since the board started, sleep included: it never steps, it is what windows, ages and retries
 * use. `UtcMillis` is what the world calls the time: it may be wrong, unknown or stepped, and is only derived.
 */

declare const brand: unique symbol

/** Seconds since boot, sleep included. Fractions down to 0.01 s are meaningful. */
export type MonoSeconds = number & { readonly [brand]: 'MonoSeconds' }
/** Milliseconds since 1970-01-01T00:00:00Z, leap seconds ignored as POSIX does. */
export type UtcMillis = number & { readonly [brand]: 'UtcMillis' }
/** A calendar day in local standard time, 'YYYY-MM-DD'. */
export type LocalDay = string & { readonly [brand]: 'LocalDay' }

export const monoSeconds = (seconds: number): MonoSeconds => seconds as MonoSeconds
export const utcMillis = (millis: number): UtcMillis => millis as UtcMillis

export const addSeconds = (at: MonoSeconds, seconds: number): MonoSeconds => (at + seconds) as MonoSeconds
export const secondsBetween = (from: MonoSeconds, to: MonoSeconds): number => to - from
export const addUtcSeconds = (at: UtcMillis, seconds: number): UtcMillis => (at + seconds * 1000) as UtcMillis

/** '2026-03-01T00:04:00Z': whole seconds, rounded to the nearest. */
export function utcText(at: UtcMillis): string {
  return new Date(Math.round(at / 1000) * 1000).toISOString().slice(0, 19) + 'Z'
}

/** '2026-03-01T00:04:00.250Z': milliseconds, for time checks. */
export function utcTextMillis(at: UtcMillis): string {
  return new Date(at).toISOString()
}

const utcShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,3})?Z$/

const firstUtc = Date.parse('0000-01-01T00:00:00Z')
const lastUtc = Date.parse('9999-12-31T23:59:59Z')

/** What is reckoned from figures that anybody may have written, where it has a text of four digits for its year. */
export const asTime = (millis: number): UtcMillis | undefined =>
  millis >= firstUtc && millis <= lastUtc ? utcMillis(millis) : undefined

/** Reads what `utcText` and `utcTextMillis` write; undefined for anything else. */
export function parseUtc(text: string): UtcMillis | undefined {
  if (!utcShape.test(text)) return undefined
  const millis = Date.parse(text)
  return Number.isNaN(millis) ? undefined : utcMillis(millis)
}

/** The day of an instant at a fixed offset from UTC in minutes (local standard time has no summer). */
export function localDay(at: UtcMillis, standardOffsetMinutes: number): LocalDay {
  return new Date(at + standardOffsetMinutes * 60_000).toISOString().slice(0, 10) as LocalDay
}

/** A date of the calendar: 30 February is none, though a parser may take it for 2 March. */
export function isDay(date: string): date is LocalDay {
  const at = /^\d{4}-\d\d-\d\d$/.test(date) ? Date.parse(`${date}T00:00:00Z`) : NaN
  return !Number.isNaN(at) && new Date(at).toISOString().startsWith(date)
}

/** First eight hex digits of a boot id: how lines, packs and messages name a boot. */
export const bootWord = (bootId: string): string => bootId.replaceAll('-', '').slice(0, 8)

/** Name of the event that withdraws time checks proved wrong: those of `boot` numbered `from` to `to`. */
export const withdrawnName = 'anchors-withdrawn'
