/** From what a person typed to an entry, or to everything that is wrong with it. */
import { utcText, type UtcMillis } from '../terms/terms.js'
import { cells } from './cells.js'
import { fault, shown, type EntryFault } from './faults.js'
import { entryFields, keyOf, siteKinds, type EntryField, type SiteEntry } from './kinds.js'
import { ruleFaults } from './rules.js'

export type EntryRead =
  | { readonly ok: true; readonly value: SiteEntry }
  | { readonly ok: false; readonly faults: readonly EntryFault[] }

export interface ReadOptions {
  /** Slots of this station by its settings; none: it has no two of a kind. Absent: any slot is taken. */
  readonly slots?: readonly string[]
}

const fieldByKey = new Map<string, EntryField>(entryFields.map((field) => [keyOf[field], field]))
const mostKeys = 64
/** Nothing of this kind was set up before; a typed year that early is a slip. */
const earliest = Date.UTC(2000, 0, 1)

/**
 * @param input keys as in the details of a line (header of sitelog.ts); an undefined or null value is not given.
 * @param now UTC as a trusted clock has it; undefined while none does: then only 'now' is taken for a time.
 */
export function readEntry(
  input: Readonly<Record<string, unknown>>,
  now: UtcMillis | undefined,
  options: ReadOptions = {},
): EntryRead {
  const keys = Object.keys(input).filter((key) => input[key] !== undefined && input[key] !== null)
  if (keys.length > mostKeys) return { ok: false, faults: [tooMany] }
  const faults: EntryFault[] = keys.filter((key) => !fieldByKey.has(key)).map(unknownKey)
  const given = new Set<EntryField>(keys.flatMap((key) => fieldByKey.get(key) ?? []))
  const draft = readFields(input, given, faults)
  faults.push(...timeFaults(draft, now), ...slotFaults(draft, given, options.slots))
  if (!given.has('kind'))
    faults.push(fault('kind', 'missing', `is missing; allowed: ${Object.keys(siteKinds).join(', ')}`))
  if (draft.kind === undefined) return { ok: false, faults }
  const entry = withDefaults(draft as SiteEntry, given)
  faults.push(...ruleFaults(entry, given))
  return faults.length > 0 ? { ok: false, faults } : { ok: true, value: entry }
}

const tooMany: EntryFault = { key: '', code: 'too-many-keys', words: `more than ${mostKeys} keys were given` }

const unknownKey = (key: string): EntryFault => ({
  key: key.slice(0, 40),
  code: 'unknown-key',
  words: `${shown(key)} is not known; allowed: ${Object.values(keyOf).join(', ')}`,
})

function readFields(
  input: Readonly<Record<string, unknown>>,
  given: ReadonlySet<EntryField>,
  faults: EntryFault[],
): Partial<SiteEntry> {
  const draft: Partial<Record<EntryField, unknown>> = {}
  for (const field of entryFields) {
    if (!given.has(field)) continue
    const read = cells[field].read(input[keyOf[field]])
    if ('fault' in read) faults.push(read.fault)
    else draft[field] = read.value
  }
  return draft as Partial<SiteEntry>
}

function timeFaults(draft: Partial<SiteEntry>, now: UtcMillis | undefined): EntryFault[] {
  return (['from', 'to'] as const).flatMap((field) => {
    const time = draft[field]
    if (time === undefined || time === 'now') return []
    if (now === undefined)
      return fault(
        field,
        'clock-unknown',
        "the station does not know the time yet; allowed: 'now', or enter it later",
      )
    if (time > now)
      return fault(
        field,
        'future',
        `${utcText(time)} lies in the future; allowed: up to now, ${utcText(now)}`,
      )
    return time < earliest
      ? fault(field, 'too-early', `${utcText(time)} is too early; allowed: from 2000 on`)
      : []
  })
}

function slotFaults(
  { kind, slot }: Partial<SiteEntry>,
  given: ReadonlySet<EntryField>,
  slots: readonly string[] | undefined,
): EntryFault[] {
  if (!slots) return []
  const allowed = slots.length > 0 ? `allowed: ${slots.join(', ')}` : 'this station has none; leave it out'
  if (slot !== undefined && !slots.includes(slot))
    return [fault('slot', 'not-a-slot', `${shown(slot)} is no slot of this station; ${allowed}`)]
  if (kind === 'swapped' && slots.length > 0 && !given.has('slot'))
    return [fault('slot', 'missing', `is missing: which unit was swapped? ${allowed}`)]
  return []
}

/** What somebody leaves out means now, and the usual effect of the kind. */
function withDefaults(draft: SiteEntry, given: ReadonlySet<EntryField>): SiteEntry {
  if (draft.kind === 'correction') return draft
  const { effects, needs } = siteKinds[draft.kind]
  return {
    ...draft,
    ...(given.has('effect') ? {} : { effect: effects[0] }),
    ...(given.has('from') || needs.includes('from') ? {} : { from: 'now' }),
  }
}
