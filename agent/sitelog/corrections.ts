/** Applies corrections, corrections of corrections included. Nothing is forgotten: the entries as written stay. */
import type { SiteEntry } from './kinds.js'
import { changeable, type EntryField } from './kinds.js'
import { fieldsOf, ruleFaults } from './rules.js'
import type { EntryFault } from './faults.js'

export interface NumberedEntry {
  readonly number: number
  readonly entry: SiteEntry
}

export interface Corrected {
  /** As it counts now; undefined when it was withdrawn. */
  entry: SiteEntry | undefined
  /** Numbers of the corrections that hold. */
  readonly correctedBy: number[]
  /** Set on a correction that changes nothing: what it names is not there, was withdrawn, or would become nonsense. */
  misfit: boolean
}

/**
 * @param entries in the order of their numbers.
 * A correction may only name a lower number; so going from the highest down, each correction is settled, by those that
 * correct it, before the entry that it corrects. A withdrawn entry stays so until its withdrawal is withdrawn.
 */
export function applyCorrections(entries: readonly NumberedEntry[]): Map<number, Corrected> {
  const settled = new Map<number, Corrected>()
  const corrections = correctionsByTarget(entries)
  for (let i = entries.length - 1; i >= 0; i--) {
    const { number, entry } = entries[i]
    const state: Corrected = { entry, correctedBy: [], misfit: false }
    settled.set(number, state)
    for (const by of corrections.get(number) ?? []) correct(state, by, settled.get(by)!)
  }
  for (const [target, numbers] of corrections)
    if (!settled.has(target)) for (const by of numbers) settled.get(by)!.misfit = true
  return settled
}

function correctionsByTarget(entries: readonly NumberedEntry[]): Map<number, number[]> {
  const byTarget = new Map<number, number[]>()
  for (const { number, entry } of entries) {
    const target = entry.corrects
    if (target === undefined) continue
    // What names itself or a later number corrects nothing: no entry has the number 0.
    const key = target < number ? target : 0
    byTarget.set(key, [...(byTarget.get(key) ?? []), number])
  }
  return byTarget
}

function correct(state: Corrected, by: number, correction: Corrected): void {
  if (!correction.entry) return
  const result = state.entry && corrected(state.entry, correction.entry)
  if (!result || result.faults.length > 0) {
    correction.misfit = true
    return
  }
  state.entry = result.entry
  state.correctedBy.push(by)
}

/** The entry a correction makes of another (undefined: withdrawn), and what is wrong with it. */
export function corrected(
  original: SiteEntry,
  correction: SiteEntry,
): { readonly entry: SiteEntry | undefined; readonly faults: readonly EntryFault[] } {
  if (correction.withdraw) return { entry: undefined, faults: [] }
  const changes: Partial<Record<EntryField, unknown>> = {}
  for (const field of changeable) if (correction[field] !== undefined) changes[field] = correction[field]
  const entry = { ...original, ...changes } as SiteEntry
  return { entry, faults: ruleFaults(entry, fieldsOf(entry)) }
}
