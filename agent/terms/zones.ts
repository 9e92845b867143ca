import { nearest } from './nearest.js'

/**
 * Time zones by the list the runtime carries (IANA, through ECMA-402 Intl). Days are cut in local standard time, which
 * has no summer: a day always has 24 hours and a limit's average never spans 23 or 25.
 */

export function isZone(name: string): boolean {
  try {
    new Intl.DateTimeFormat('en', { timeZone: name })
    return true
  } catch {
    return false
  }
}

export const nearestZone = (typed: string): string | undefined =>
  nearest(typed, Intl.supportedValuesOf('timeZone'))

/** Rules of a zone change by law; unless a caller names a year the rules of this one are taken. */
const ordinaryYear = 2026
/** Twice a month: the shortest time off the usual offset anywhere lasts about five weeks (a fasting month). */
const daysOfMonth = [1, 15]

/**
 * Minutes east of UTC of a zone's standard time: the lowest offset of the year, which is winter's in both hemispheres.
 * Where the law calls summer time the standard and winter the exception (the zone list marks such zones with negative
 * saving), the lower one is taken all the same: what matters is one offset for the whole year, and one rule for all.
 */
export function lowestOffsetMinutes(timeZone: string, year = ordinaryYear): number {
  const format = new Intl.DateTimeFormat('en-US', { timeZone, timeZoneName: 'longOffset' })
  let lowest = Infinity
  for (let month = 0; month < 12; month++)
    for (const day of daysOfMonth)
      lowest = Math.min(lowest, offsetMinutes(format, Date.UTC(year, month, day)))
  return lowest
}

/** 'GMT', 'GMT+05:45' or 'GMT-03:00' as ECMA-402 writes them. */
function offsetMinutes(format: Intl.DateTimeFormat, at: number): number {
  const text = format.formatToParts(at).find((part) => part.type === 'timeZoneName')?.value ?? ''
  const parts = /([+-])(\d\d):(\d\d)/.exec(text)
  if (!parts) return 0
  return (parts[1] === '-' ? -1 : 1) * (Number(parts[2]) * 60 + Number(parts[3]))
}
