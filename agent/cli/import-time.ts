/** Times of foreign logs: the fields of a text by a format, and UTC from wall clocks with or without summer time. */
import type { DeskZone } from './desk-zone.js'
import { wrongUse, type Opened } from './desk.js'
import { offsetAt } from './local-time.js'
import { utcMillis } from '../terms/terms.js'

/** A time as its text says it. With an offset it is UTC, without one the time of a clock on a wall. */
export interface TextTime {
  readonly millis: number
  readonly hasOffset: boolean
}
export type ReadTime = (text: string) => TextTime | undefined

const usual =
  /^(?<YYYY>\d{4})[-/. ](?<MM>\d{1,2})[-/. ](?<DD>\d{1,2})(?:[T ]+(?<HH>\d{1,2})(?::(?<mm>\d\d)(?::(?<ss>\d\d(?:[.,]\d+)?))?)?)?\s*(?<Z>Z|[+-]\d\d(?::?\d\d)?)?$/

const tokens: Readonly<Record<string, string>> = {
  YYYY: '(?<YYYY>\\d{4})',
  YY: '(?<YY>\\d{2})',
  MMM: '(?<MMM>[A-Za-z]{3,9})\\.?',
  MM: '(?<MM>\\d{1,2})',
  DD: '(?<DD>\\d{1,2})',
  HH: '(?<HH>\\d{1,2})',
  mm: '(?<mm>\\d{1,2})',
  ss: '(?<ss>\\d{1,2}(?:[.,]\\d+)?)',
  A: '(?<A>[AaPp])\\.?[Mm]\\.?',
  Z: '(?<Z>Z|[+-]\\d\\d(?::?\\d\\d)?)',
}
const secondsShape = /^\d{1,12}(\.\d+)?$/

/** @param format of YYYY YY MM MMM DD HH mm ss A Z and what stands between them, or unix, or unix-ms; without one year first */
export function timeReader(format: string | undefined): Opened<ReadTime> {
  if (format === undefined) return { ok: true, value: byShape(usual) }
  if (format === 'unix' || format === 'unix-ms') {
    const factor = format === 'unix' ? 1000 : 1
    return {
      ok: true,
      value: (text) =>
        secondsShape.test(text) || /^\d{13,14}$/.test(text)
          ? { millis: Number(text) * factor, hasOffset: true }
          : undefined,
    }
  }
  const parts = format.split(/(YYYY|YY|MMM|MM|DD|HH|mm|ss|A|Z)/)
  const used = parts.filter((part) => part in tokens)
  const once = [['YYYY', 'YY'], ['MM', 'MMM'], ['DD']].every(
    (either) => used.filter((token) => either.includes(token)).length === 1,
  )
  if (!once || new Set(used).size < used.length)
    return wrongUse(
      `--time-format ${format}: expected each of YYYY (or YY), MM (or MMM for a name) and DD once, and HH mm ss A Z as they come, or unix, or unix-ms`,
    )
  const literal = (text: string): string =>
    text.replace(/[.*+?^${}()|[\]\\]/g, '\\$&').replace(/\s+/g, '\\s+')
  return {
    ok: true,
    value: byShape(new RegExp(`^${parts.map((part) => tokens[part] ?? literal(part)).join('')}$`)),
  }
}

const byShape =
  (shape: RegExp): ReadTime =>
  (text) => {
    const fields = shape.exec(text)?.groups
    return fields && timeOf(fields)
  }

type Fields = Readonly<Record<string, string | undefined>>

/** Undefined for what no calendar and no clock shows. 24:00 is the midnight that ends the day. */
function timeOf(fields: Fields): TextTime | undefined {
  const year = fields.YYYY === undefined ? 2000 + Number(fields.YY) : Number(fields.YYYY)
  const [month, day] = [monthOf(fields), Number(fields.DD)]
  const hour = hourOf(fields)
  const minute = Number(fields.mm ?? 0)
  const second = Number((fields.ss ?? '0').replace(',', '.'))
  const date = Date.UTC(year, month - 1, day)
  const isDay = month >= 1 && month <= 12 && new Date(date).getUTCDate() === day
  const inDay = hour * 3600 + minute * 60 + second
  if (!isDay || !(hour >= 0 && hour <= 24) || minute > 59 || second >= 61 || inDay > 86_400) return undefined
  const millis = date + Math.round(inDay * 1000)
  const zone = fields.Z
  return zone === undefined
    ? { millis, hasOffset: false }
    : { millis: millis - offsetMinutes(zone) * 60_000, hasOffset: true }
}

const months = ['jan', 'feb', 'mar', 'apr', 'may', 'jun', 'jul', 'aug', 'sep', 'oct', 'nov', 'dec']

/** 0 for a word that is no month in English. */
const monthOf = ({ MM, MMM }: Fields): number =>
  MM === undefined ? months.indexOf((MMM ?? '').slice(0, 3).toLowerCase()) + 1 : Number(MM)

function hourOf({ HH, A }: Fields): number {
  const hour = Number(HH ?? 0)
  if (A === undefined) return hour
  if (hour < 1 || hour > 12) return NaN
  return (hour % 12) + (A.toLowerCase() === 'p' ? 12 : 0)
}

function offsetMinutes(text: string): number {
  if (text === 'Z') return 0
  const minutes = Number(text.slice(1, 3)) * 60 + Number(text.slice(3).replace(':', ''))
  return text.startsWith('-') ? -minutes : minutes
}

export type WallRefusal = 'came-twice' | 'never-was'
const quarterMillis = 900_000
const dayMillis = 86_400_000

/** UTC of wall-clock times of a zone. Of one with summer time offsets are looked up once a day, on days of change by quarter-hour. */
export function wallClock(zone: DeskZone): (millis: number) => number | WallRefusal {
  if (zone.name === undefined) return (millis) => millis - zone.offsetMinutes * 60_000
  const place = { timeZone: zone.name, standardOffsetMinutes: zone.offsetMinutes }
  const offsetsAbout = remembered((day: number) => [
    ...new Set([-1, 2].map((by) => offsetAt(utcMillis((day + by) * dayMillis), place))),
  ])
  const onDayOfChange = remembered((quarter: number): number | WallRefusal => {
    const asIfUtc = quarter * quarterMillis
    const fits = offsetsAbout(Math.floor(asIfUtc / dayMillis)).filter(
      (offset) => offsetAt(utcMillis(asIfUtc - offset * 60_000), place) === offset,
    )
    return fits.length === 1 ? fits[0] : fits.length === 0 ? 'never-was' : 'came-twice'
  })
  return (millis) => {
    const offsets = offsetsAbout(Math.floor(millis / dayMillis))
    const offset = offsets.length === 1 ? offsets[0] : onDayOfChange(Math.floor(millis / quarterMillis))
    return typeof offset === 'number' ? millis - offset * 60_000 : offset
  }
}

/** A table is as long as the days of a log; logs are bounded by their rows. */
function remembered<T>(find: (key: number) => T): (key: number) => T {
  const known = new Map<number, T>()
  return (key) => {
    let value = known.get(key)
    if (value === undefined) known.set(key, (value = find(key)))
    return value
  }
}
