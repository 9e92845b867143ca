/** The local standard time in which figures are told, and times that somebody types. */
import type { Settings } from '../settings/settings.js'
import {
  isZone,
  lowestOffsetMinutes,
  nearestZone,
  utcMillis,
  type EventLine,
  type UtcMillis,
} from '../terms/terms.js'
import { lineWidth } from './averages-table.js'
import { wrongUse, type Opened } from './desk.js'
import { offsetText } from './local-time.js'
import { folded } from './plain-text.js'

export interface DeskZone {
  /** Standard time, winter's, all year: minutes ahead of UTC. */
  readonly offsetMinutes: number
  /** 'Region/City' where one is known. */
  readonly name?: string
  /** Who says so. */
  readonly source: string
}

const offsetShape = /^([+-])(\d{2}):?(\d{2})$/

/** By what was typed, else the settings, else the newest settings line of the store, else UTC. */
export function zoneFor(
  typed: string | undefined,
  settings: Settings | undefined,
  settingsLine: EventLine | undefined,
): Opened<DeskZone> {
  if (typed !== undefined) return readZone(typed)
  if (settings) {
    const { timeZone: name, standardOffsetMinutes = 0 } = settings.station
    const offsetMinutes = name === undefined ? standardOffsetMinutes : lowestOffsetMinutes(name)
    return {
      ok: true,
      value: { offsetMinutes, ...(name === undefined ? {} : { name }), source: 'by the settings' },
    }
  }
  return {
    ok: true,
    value: zoneOfLine(settingsLine) ?? { offsetMinutes: 0, source: 'nothing says which; see --zone' },
  }
}

function readZone(typed: string): Opened<DeskZone> {
  const source = 'by --zone'
  const m = offsetShape.exec(typed)
  if (m) {
    const minutes = (m[1] === '-' ? -1 : 1) * (Number(m[2]) * 60 + Number(m[3]))
    if (Math.abs(minutes) <= 14 * 60 && Number(m[3]) < 60)
      return { ok: true, value: { offsetMinutes: minutes, source } }
  } else if (isZone(typed))
    return { ok: true, value: { offsetMinutes: lowestOffsetMinutes(typed), name: typed, source } }
  const near = m ? undefined : nearestZone(typed)
  const meant = near === undefined ? '' : `; did you mean ${near}?`
  return wrongUse(`--zone ${typed}: expected a zone such as Etc/GMT-1, or an offset such as +01:00${meant}`)
}

function zoneOfLine(line: EventLine | undefined): DeskZone | undefined {
  const source = "by the store's settings line"
  const name = line?.details['station.time_zone']
  if (name !== undefined && isZone(name)) return { offsetMinutes: lowestOffsetMinutes(name), name, source }
  const minutes = Number(line?.details['station.standard_offset_min'] ?? NaN)
  return Number.isInteger(minutes) ? { offsetMinutes: minutes, source } : undefined
}

export const zoneWords = ({ offsetMinutes, name, source }: DeskZone): string =>
  `local standard time, UTC${offsetText(offsetMinutes)}${name === undefined ? '' : `, ${name} without summer time`} (${source})`

/** What stands above a table: in which time its hours are told. */
export const timesLine = (zone: DeskZone): string => folded(`Times: ${zoneWords(zone)}`, lineWidth(), 2)

/** '2026-03-01 08:30' in local standard time. */
export const standardText = (utc: UtcMillis, { offsetMinutes }: DeskZone): string =>
  new Date(utc + offsetMinutes * 60_000).toISOString().slice(0, 16).replace('T', ' ')

/** '2026-03-01T08:30:00+01:00'. */
export const isoText = (utc: UtcMillis, { offsetMinutes }: DeskZone): string =>
  new Date(utc + offsetMinutes * 60_000).toISOString().slice(0, 19) + offsetText(offsetMinutes)

export interface Span {
  readonly from: UtcMillis
  /** Not included. */
  readonly to: UtcMillis
}

const ever: Span = { from: utcMillis(-8.64e15), to: utcMillis(8.64e15) }
const localShape = /^(\d{4}-\d\d-\d\d)(?:[T ](\d\d:\d\d)(:\d\d)?)?$/
const fullShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)$/
const dayMillis = 86_400_000

/** The time of `--from` and `--to`: a day (of `to`, the whole of it), a local standard time, or one with its offset. */
export function readSpan(from: string | undefined, to: string | undefined, zone: DeskZone): Opened<Span> {
  const first = from === undefined ? ever.from : readTime(from, zone, 0)
  if (first === undefined) return wrongUse(`--from ${from}: ${allowedTime}`)
  const last = to === undefined ? ever.to : readTime(to, zone, dayMillis)
  if (last === undefined) return wrongUse(`--to ${to}: ${allowedTime}`)
  if (!(first < last)) return wrongUse(`--from ${from} is not before --to ${to}`)
  return { ok: true, value: { from: first, to: last } }
}

const allowedTime =
  "expected a day (2026-03-01), a local standard time ('2026-03-01 08:30'), or 2026-03-01T08:30Z"

function readTime(text: string, { offsetMinutes }: DeskZone, ofDay: number): UtcMillis | undefined {
  const m = localShape.exec(text)
  const at = m
    ? Date.parse(`${m[1]}T${m[2] ?? '00:00'}${m[3] ?? ':00'}Z`)
    : fullShape.test(text)
      ? Date.parse(text)
      : NaN
  if (Number.isNaN(at) || (m && new Date(at).toISOString().slice(0, 10) !== m[1])) return undefined
  return m ? utcMillis(at - offsetMinutes * 60_000 + (m[2] === undefined ? ofDay : 0)) : utcMillis(at)
}
