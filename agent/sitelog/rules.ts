/** What the parts of an entry must be to each other. Holds for what is typed, what is stored and what a correction makes. */
import { fault, type EntryFault } from './faults.js'
import { changeable, keyOf, siteKinds, type EntryField, type SiteEntry } from './kinds.js'

const everyKind: readonly EntryField[] = ['kind', 'effect', 'who', 'note', 'from']

/** A year typed wrong must not take a year of readings with it. */
export const longestSpanDays = 366

/**
 * @param given the fields that were given, readable or not: what is unreadable is not missing too.
 * @param draft what could be read of them; `kind` must be there.
 */
export function ruleFaults(draft: SiteEntry, given: ReadonlySet<EntryField>): EntryFault[] {
  return [
    ...shapeFaults(draft, given),
    ...effectFaults(draft, given),
    ...spanFaults(draft),
    ...kindFaults(draft, given),
  ]
}

/** The fields an entry has. */
export const fieldsOf = (entry: SiteEntry): Set<EntryField> =>
  new Set((Object.keys(entry) as EntryField[]).filter((field) => entry[field] !== undefined))

function shapeFaults({ kind }: SiteEntry, given: ReadonlySet<EntryField>): EntryFault[] {
  const { needs, may } = siteKinds[kind]
  const allowed = [...everyKind, ...needs, ...may]
  const names = allowed.map((field) => keyOf[field]).join(', ')
  return [
    ...needs
      .filter((field) => !given.has(field))
      .map((field) =>
        fault(field, 'missing', `is missing; ${kind} needs ${needs.map((f) => keyOf[f]).join(', ')}`),
      ),
    ...[...given]
      .filter((field) => !allowed.includes(field))
      .map((field) => fault(field, 'not-for-this-kind', `does not belong to ${kind}; allowed: ${names}`)),
  ]
}

function effectFaults(draft: SiteEntry, given: ReadonlySet<EntryField>): EntryFault[] {
  const { kind, effect } = draft
  const { effects, may } = siteKinds[kind]
  if (effect === undefined || kind === 'correction') return []
  if (!effects.includes(effect))
    return [
      fault('effect', 'not-allowed', `${effect} is not allowed for ${kind}; allowed: ${effects.join(', ')}`),
    ]
  const spanless = effect !== 'none' && effects.includes('none') && may.includes('to') && !given.has('to')
  return spanless ? [fault('to', 'missing', `is missing; effect ${effect} needs a span, from and to`)] : []
}

function spanFaults({ kind, from, to }: SiteEntry): EntryFault[] {
  if (kind === 'correction' && (from === 'now' || to === 'now'))
    return [
      fault(from === 'now' ? 'from' : 'to', 'not-allowed', "a correction needs the time itself, not 'now'"),
    ]
  if (from === 'now')
    return typeof to === 'number' || (kind === 'excluded' && to === 'now') ? [sinceNowFault] : []
  if (from === undefined || to === undefined || to === 'now') return []
  if (to < from || (to === from && kind === 'excluded')) return [orderFault]
  if (to - from > longestSpanDays * 86_400_000)
    return [
      fault('to', 'too-long-a-span', `the span is too long; at most ${longestSpanDays} days are allowed`),
    ]
  return []
}

const orderFault = fault('to', 'order', 'must be after from')
const sinceNowFault = fault(
  'to',
  'order',
  "must be after from, which is 'now' (when it was written); give from too",
)

function kindFaults(draft: SiteEntry, given: ReadonlySet<EntryField>): EntryFault[] {
  const faults: EntryFault[] = []
  const { kind, oldSerial, newSerial } = draft
  if (kind === 'swapped' && !given.has('oldSerial') && !given.has('newSerial'))
    faults.push(fault('newSerial', 'missing', 'give old_serial, new_serial or both'))
  if (kind === 'swapped' && oldSerial !== undefined && oldSerial === newSerial)
    faults.push(
      fault('newSerial', 'not-allowed', 'is the same as old_serial; for cleaning use inlet-cleaned'),
    )
  if (kind === 'moved' && given.has('slot') && given.has('place'))
    faults.push(fault('place', 'not-allowed', 'is of the whole station; leave out slot, or place'))
  if (kind === 'correction') faults.push(...correctionFaults(given))
  return faults
}

function correctionFaults(given: ReadonlySet<EntryField>): EntryFault[] {
  const changes = changeable.some((field) => given.has(field))
  if (changes && given.has('withdraw'))
    return [fault('withdraw', 'not-allowed', 'withdraw the entry or change parts of it, not both')]
  if (!changes && !given.has('withdraw'))
    return [
      fault(
        'withdraw',
        'missing',
        `give withdraw=yes, or what changes: ${changeable.map((f) => keyOf[f]).join(', ')}`,
      ),
    ]
  return []
}
