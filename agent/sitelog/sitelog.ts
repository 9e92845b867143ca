/**
 * sitelog: what people did at a station, and what follows from it for counting.
 *
 * In: what a person typed (`readEntry`), and the event lines named 'sitelog' of one store, in any order of arrival.
 * Out: entries with corrections applied (the original stays listed), deployments, units by slot over time, excluded and
 * marked spans, places that a figure must not cross silently; for the running station the visit; the zero check's result.
 * Assumed: a number (seq) names one line of one store. UTC typed by a person is checked against a trusted clock.
 * Refused: future times, line breaks, texts over their length, keys that a kind does not know: all at once, in plain
 * words. Lines that are not understood, doubles and corrections that fit nothing are counted. Raw records are never
 * touched: excluding and marking only affects counting.
 *
 * Details of a line, flat text: kind; effect none|mark|exclude (not in a correction that leaves it); who; note; slot;
 * from, to (UTC; no `from`, or `to=now`: when the line was written); place (set-up, moved); old_serial, new_serial
 * (swapped; new_serial in set-up); name, reason (excluded); result pass|repeat|fail|not-enough-data, offset_ug_m3 (2
 * decimals) and used_s (zero-check); in a correction: corrects (number), withdraw=yes or the keys that change, why. Keys
 * and kinds of a later release are skipped.
 */
export { entryDetails, entryOf, siteLineName } from './details.js'
export type { CountingSpan } from './spans.js'
export type { EntryFault, EntryFaultCode } from './faults.js'
export {
  effects,
  siteKinds,
  siteKindNames,
  textLimits,
  zeroResults,
  type Effect,
  type EntryKey,
  type SiteEntry,
  type SiteKind,
  type ZeroResult,
} from './kinds.js'
export type { ListedEntry } from './derive.js'
export { mostEntries, SiteLog, type SiteLogOptions } from './log.js'
export type { Doubt, DoubtCode, Resolve } from './placed.js'
export type { Boundary, Deployment, Unit } from './places.js'
export { readEntry, type EntryRead, type ReadOptions } from './read-entry.js'
export { restoreVisit, type EarlierBoot, type Moment } from './restore-visit.js'
export type { SiteStatus } from './timeline.js'
export { selfClosedEntry, usualVisit, Visit, type VisitNews, type VisitOptions } from './visit.js'
export {
  judgeZeroCheck,
  usualZeroCheck,
  type ZeroCheckOptions,
  type ZeroMinute,
  type ZeroOutcome,
} from './zero-check.js'
