/** Between an entry and the details of its line. */
import type { EventLine } from '../terms/terms.js'
import { cells } from './cells.js'
import { entryFields, keyOf, type EntryField, type SiteEntry } from './kinds.js'
import { fieldsOf, ruleFaults } from './rules.js'

/** Name of the event lines that hold entries. */
export const siteLineName = 'sitelog'

/** The details of the line that holds this entry; the line's name is `siteLineName`. */
export function entryDetails(entry: SiteEntry): Record<string, string> {
  const details: Record<string, string> = {}
  for (const field of entryFields) {
    const value = entry[field]
    if (value === undefined || (field === 'from' && value === 'now')) continue
    details[keyOf[field]] = (cells[field].write as (value: unknown) => string)(value)
  }
  return details
}

export const isSiteLine = (line: EventLine): boolean => line.name === siteLineName

/** The entry of a line; undefined for a line of another name, a kind of a later release, or details nobody would write. */
export function entryOf(line: EventLine): SiteEntry | undefined {
  if (!isSiteLine(line)) return undefined
  const draft: Partial<Record<EntryField, unknown>> = {}
  for (const field of entryFields) {
    const text = Object.hasOwn(line.details, keyOf[field]) ? line.details[keyOf[field]] : undefined
    if (text === undefined) continue
    const read = cells[field].read(text)
    if ('fault' in read) return undefined
    draft[field] = read.value
  }
  const entry = draft as unknown as SiteEntry
  if (entry.kind === undefined) return undefined
  const whole: SiteEntry =
    entry.kind === 'correction' || entry.from !== undefined ? entry : { ...entry, from: 'now' }
  if (whole.kind !== 'correction' && whole.effect === undefined) return undefined
  return ruleFaults(whole, fieldsOf(whole)).length > 0 ? undefined : whole
}
