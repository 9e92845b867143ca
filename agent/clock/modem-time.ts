import { utcMillis } from '../terms/terms.js'
import { fullYear, type ClockReading } from './rmc.js'

const carriageReturn = 0x0d
/** Asks a modem for its clock (3GPP TS 27.007, clause 8.15). */
export const modemClockAsk = Uint8Array.from([...Buffer.from('AT+CCLK?', 'latin1'), carriageReturn])

const shape = /^\+CCLK:\s*"(\d\d)\/(\d\d)\/(\d\d),(\d\d):(\d\d):(\d\d)([+-]\d\d)?"$/
/** Quarter-hours of the widest zone that the clause allows, either way. */
const mostQuarters = 96

/**
 * UTC of the answer to AT+CCLK?: +CCLK: "yy/MM/dd,hh:mm:ss±zz", local time, zz its distance from UTC in quarter-hours. Without
 * the zone UTC cannot be told, and nothing is guessed. Undefined for any other line.
 */
export function readModemClock(line: string): ClockReading | undefined {
  const m = shape.exec(line.trim())
  if (!m) return undefined
  if (m[7] === undefined) return { ok: false, why: 'it does not say its zone' }
  const [year, month, day, hours, minutes, seconds] = m.slice(1, 7).map(Number)
  const quarters = Number(m[7])
  const midnight = Date.UTC(fullYear(year), month - 1, day)
  const isDay = new Date(midnight).getUTCDate() === day && month >= 1 && month <= 12
  if (!isDay || hours > 23 || minutes > 59 || seconds > 59 || Math.abs(quarters) > mostQuarters)
    return { ok: false, why: 'no calendar has its time' }
  const local = midnight + (hours * 3600 + minutes * 60 + seconds) * 1000
  return { ok: true, utc: utcMillis(local - quarters * 900_000) }
}
