/** The kinds of entries: what each says, what it needs, may have, and does to counting. */
import type { UtcMillis } from '../terms/terms.js'

export const effects = ['none', 'mark', 'exclude'] as const
export type Effect = (typeof effects)[number]

export const zeroResults = ['pass', 'repeat', 'fail', 'not-enough-data'] as const
export type ZeroResult = (typeof zeroResults)[number]

export const siteKindNames = [
  'set-up',
  'visit-start',
  'visit-end',
  'inlet-cleaned',
  'zero-check-start',
  'zero-check',
  'swapped',
  'moved',
  'observed',
  'excluded',
  'removed',
  'correction',
] as const
export type SiteKind = (typeof siteKindNames)[number]

/** One entry. Flat, because a correction names any of its parts. */
export interface SiteEntry {
  readonly kind: SiteKind
  /** What it does to the readings of its time; absent only in a correction that leaves it as it is. */
  readonly effect?: Effect
  /** Name or initials. */
  readonly who?: string
  readonly note?: string
  /** Absent: the whole station. */
  readonly slot?: string
  /** When it happened, whole seconds; 'now' is when its line was written. Absent only in a correction. */
  readonly from?: UtcMillis | 'now'
  readonly to?: UtcMillis | 'now'
  /** The owner's label of the place. */
  readonly place?: string
  /** The unit that came out; absent where nothing did. */
  readonly oldSerial?: string
  /** The unit that went in; absent where nothing did. */
  readonly newSerial?: string
  /** Name of an excluded span, for listings. */
  readonly name?: string
  readonly reason?: string
  readonly result?: ZeroResult
  /** Mean in filtered air, µg/m³, 2 decimals: reported, never subtracted from anything. */
  readonly offsetMicrogramsPerM3?: number
  readonly usedSeconds?: number
  /** Number of the entry that is corrected. */
  readonly corrects?: number
  readonly withdraw?: true
  /** Why it is corrected. */
  readonly why?: string
}

/** Each part's key in the details of a line, which is also the key that a person or program gives. */
export const keyOf = {
  kind: 'kind',
  effect: 'effect',
  who: 'who',
  note: 'note',
  slot: 'slot',
  from: 'from',
  to: 'to',
  place: 'place',
  oldSerial: 'old_serial',
  newSerial: 'new_serial',
  name: 'name',
  reason: 'reason',
  result: 'result',
  offsetMicrogramsPerM3: 'offset_ug_m3',
  usedSeconds: 'used_s',
  corrects: 'corrects',
  withdraw: 'withdraw',
  why: 'why',
} as const satisfies Record<keyof SiteEntry, string>

export type EntryField = keyof SiteEntry
export type EntryKey = (typeof keyOf)[EntryField]
export const entryFields = Object.keys(keyOf) as EntryField[]

/**
 * Longest texts in characters. Together, and were each one percent-encoded to three, they stay far below a line's
 * longest canonical text.
 */
export const textLimits = {
  who: 60,
  note: 1000,
  place: 100,
  oldSerial: 40,
  newSerial: 40,
  name: 60,
  reason: 200,
  why: 200,
} as const satisfies Partial<Record<EntryField, number>>

export interface SiteKindRule {
  readonly what: string
  readonly when: string
  /** The first is meant where none is named. */
  readonly effects: readonly Effect[]
  readonly needs: readonly EntryField[]
  /** Besides what every kind may have: who, note, from, effect. */
  readonly may: readonly EntryField[]
}

const any: readonly Effect[] = ['none', 'mark', 'exclude']

/** What a correction may change of another entry. Who made the entry and what kind it is stay. */
export const changeable: readonly EntryField[] = [
  'effect',
  'note',
  'slot',
  'from',
  'to',
  'place',
  'oldSerial',
  'newSerial',
  'name',
  'reason',
  'result',
  'offsetMicrogramsPerM3',
  'usedSeconds',
]

export const siteKinds: Readonly<Record<SiteKind, SiteKindRule>> = {
  'set-up': {
    what: 'the station stands at its place and measures',
    when: 'when everything is in place; a deployment begins',
    effects: ['none'],
    needs: ['place'],
    may: ['slot', 'newSerial'],
  },
  'visit-start': {
    what: 'somebody is at the station',
    when: 'before touching anything',
    effects: ['exclude'],
    needs: [],
    may: [],
  },
  'visit-end': {
    what: 'nobody is at the station any more',
    when: 'when leaving; a visit closes itself after 60 min',
    effects: ['exclude'],
    needs: [],
    may: [],
  },
  'inlet-cleaned': {
    what: 'the inlet or the sensor was cleaned',
    when: 'after cleaning, during a visit',
    effects: any,
    needs: [],
    may: ['slot', 'to'],
  },
  'zero-check-start': {
    what: 'a filter is on the inlet',
    when: 'when the filter is in place; leave it for 10 min',
    effects: ['exclude'],
    needs: [],
    may: ['slot'],
  },
  'zero-check': {
    what: 'the result of 10 min of filtered air',
    when: 'after the 10 min; the station works it out',
    effects: ['exclude'],
    needs: ['result'],
    may: ['slot', 'to', 'offsetMicrogramsPerM3', 'usedSeconds'],
  },
  swapped: {
    what: 'a unit came out, another went in',
    when: 'when a sensor is changed; no figure crosses it',
    effects: any,
    needs: [],
    may: ['slot', 'to', 'oldSerial', 'newSerial'],
  },
  moved: {
    what: 'the station or its inlet stands elsewhere',
    when: 'when it was moved; with a place a new deployment begins',
    effects: any,
    needs: [],
    may: ['slot', 'to', 'place'],
  },
  observed: {
    what: 'anything worth remembering',
    when: 'mowing, smoke, a lorry with its engine on',
    effects: any,
    needs: ['note'],
    may: ['slot', 'to'],
  },
  excluded: {
    what: 'a span that does not count, with its name and reason',
    when: 'when readings show something else than the air of the place',
    effects: ['exclude', 'mark', 'none'],
    needs: ['from', 'to', 'name', 'reason'],
    may: ['slot'],
  },
  removed: {
    what: 'the station was taken away',
    when: 'when it comes down; the deployment ends',
    effects: ['none'],
    needs: [],
    may: [],
  },
  correction: {
    what: 'an earlier entry was wrong',
    when: 'to withdraw an entry or change parts of it; the original stays listed',
    effects: any,
    needs: ['corrects'],
    may: [...changeable, 'withdraw', 'why'],
  },
}
