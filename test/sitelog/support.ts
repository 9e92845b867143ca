import {
  entryDetails,
  readEntry,
  SiteLog,
  type ReadOptions,
  type SiteEntry,
  type SiteLogOptions,
} from '../../agent/sitelog/sitelog.js'
import { monoSeconds, parseUtc, type EventLine, type UtcMillis } from '../../agent/terms/terms.js'

/** '08:30' or '2T08:30' of March 2026. */
export function at(text: string): UtcMillis {
  const [day, time] = text.includes('T') ? text.split('T') : ['1', text]
  return parseUtc(`2026-03-${day.padStart(2, '0')}T${time}:00Z`)!
}

export const utc = (text: string): string => new Date(at(text)).toISOString()

/** The end of the month: everything typed in these tests lies before. */
export const monthEnd = at('31T00:00')

type Input = Record<string, unknown>

/** Reads what must be fine. */
export function entry(input: Input, options?: ReadOptions): SiteEntry {
  const read = readEntry(input, monthEnd, options)
  if (!read.ok) throw new Error(read.faults.map((f) => f.words).join('; '))
  return read.value
}

/** 'key code' of everything that is wrong. */
export function faults(input: Input, now: UtcMillis | undefined = monthEnd, options?: ReadOptions): string[] {
  const read = readEntry(input, now, options)
  return read.ok ? [] : read.faults.map((f) => `${f.key} ${f.code}`)
}

export const boot = '0a1b2c3d'

/** The line of an entry; written at the end of the month unless told otherwise, from a notebook. */
export function line(seq: number, one: SiteEntry, written: Partial<EventLine> = {}): EventLine {
  const details = entryDetails(one)
  return {
    kind: 'event',
    seq,
    boot,
    mono: monoSeconds(seq),
    utc: monthEnd,
    name: 'sitelog',
    details,
    ...written,
  }
}

/** A log of inputs numbered from 1. */
export const log = (inputs: readonly Input[], options?: SiteLogOptions): SiteLog =>
  new SiteLog(
    inputs.map((input, i) => line(i + 1, entry(input))),
    options,
  )

export const doubts = (of: SiteLog): string[] => of.doubts().map((d) => `${d.number} ${d.code}`)

// Entries as people type them.

export const setUp = (time: string, place = 'gate') => ({ kind: 'set-up', place, from: utc(time) })
export const removed = (time: string) => ({ kind: 'removed', from: utc(time) })
export const excluded = (from: string, to: string, more = {}) => ({
  kind: 'excluded',
  name: 'bonfire',
  reason: 'smoke',
  from: utc(from),
  to: utc(to),
  ...more,
})
export const swapped = (time: string, old_serial?: string, new_serial?: string, more = {}) => ({
  kind: 'swapped',
  from: utc(time),
  old_serial,
  new_serial,
  ...more,
})
export const correction = (corrects: number, more: object) => ({ kind: 'correction', corrects, ...more })
export const hours = (list: readonly { from?: UtcMillis; to?: UtcMillis }[]) =>
  list.map(({ from, to }) => [from, to].map((t) => t && new Date(t).toISOString().slice(8, 16)))
