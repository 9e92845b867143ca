import { utcMillis, type UtcMillis } from '../terms/terms.js'

export type ClockReading =
  { readonly ok: true; readonly utc: UtcMillis } | { readonly ok: false; readonly why: string }

const refused = (why: string): ClockReading => ({ ok: false, why })

/** Longest sentence of the standard is 82 characters; some receivers go a little over. */
const shape = /^\$([A-Z]{2})RMC,([^*]{1,100})\*([0-9A-F]{2})$/i
const timeShape = /^(\d\d)(\d\d)(\d\d)(\.\d+)?$/
const dateShape = /^(\d\d)(\d\d)(\d\d)$/
/** Mode indicator: estimated, manual, simulated and not valid tell no time of a satellite. */
const idleModes = ['E', 'M', 'S', 'N']
/** Two digits of a year: satellites have told time since 1980, and so far on the standards' examples are of that century. */
export const fullYear = (short: number): number => (short >= 80 ? 1900 : 2000) + short

/**
 * UTC of an RMC sentence (recommended minimum data, NMEA 0183; fields and checksum as its published summaries give them, read
 * from memory): status must be A, the checksum right, the date whole. A leap second's 60 is the second after, as POSIX has it.
 * Undefined for anything that is no RMC sentence at all.
 */
export function readRmc(sentence: string): ClockReading | undefined {
  const m = shape.exec(sentence.trim())
  if (!m) return undefined
  if (Number.parseInt(m[3], 16) !== checksum(`${m[1]}RMC,${m[2]}`)) return refused('its checksum is wrong')
  const fields = m[2].split(',')
  const [time, status, date, mode] = [fields[0], fields[1], fields[8], fields[11]]
  if (status !== 'A') return refused('the receiver itself does not trust it')
  if (mode !== undefined && idleModes.includes(mode)) return refused('it is estimated, not received')
  return readTime(time, date ?? '')
}

/** Exclusive or of all characters between '$' and '*'. */
const checksum = (text: string): number => [...text].reduce((sum, c) => sum ^ c.charCodeAt(0), 0)

function readTime(time: string, date: string): ClockReading {
  const t = timeShape.exec(time)?.slice(1)
  const d = dateShape.exec(date)?.slice(1).map(Number)
  if (!t || !d) return refused('it has no whole time and date')
  const [hours, minutes, seconds] = t.map(Number)
  const [day, month, shortYear] = d
  const midnight = Date.UTC(fullYear(shortYear), month - 1, day)
  const isDay = new Date(midnight).getUTCDate() === day && month >= 1 && month <= 12
  if (!isDay || hours > 23 || minutes > 59 || seconds > 60) return refused('no calendar has its time')
  const fraction = t[3] === undefined ? 0 : Number(t[3])
  return { ok: true, utc: utcMillis(midnight + (hours * 3600 + minutes * 60 + seconds + fraction) * 1000) }
}
