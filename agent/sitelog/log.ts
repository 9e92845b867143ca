/** The site log of one store: takes lines, answers questions. */
import { canonicalLine, type EventLine, type StageCounts, type UtcMillis } from '../terms/terms.js'
import { corrected } from './corrections.js'
import { derive, type Derived, type Held, type ListedEntry } from './derive.js'
import { entryOf, isSiteLine } from './details.js'
import { fault, type EntryFault } from './faults.js'
import type { SiteEntry } from './kinds.js'
import { slotKey, type Doubt, type DoubtCode, type Resolve } from './placed.js'
import type { Boundary, Deployment, Unit } from './places.js'
import type { CountingSpan } from './spans.js'
import { Timeline, type SiteStatus } from './timeline.js'
import { usualVisit, type VisitOptions } from './visit.js'

/** Beyond it the lowest number falls out, counted as 'too-many'. */
export const mostEntries = 4096

export interface SiteLogOptions {
  /** Places entries that were written while the clock was not trusted. */
  readonly resolve?: Resolve
  readonly visit?: VisitOptions
}

export class SiteLog {
  /** By number, ascending. */
  private readonly held: Held[] = []
  private derived: Derived | undefined
  private taken = 0
  private readonly refused: Record<string, number> = {}
  private readonly visit: VisitOptions
  private readonly resolve: Resolve

  constructor(lines: Iterable<EventLine> = [], options: SiteLogOptions = {}) {
    this.visit = options.visit ?? usualVisit
    this.resolve = options.resolve ?? (() => undefined)
    for (const line of lines) this.add(line)
  }

  /** Takes one more line; a line of another name is none of ours and not counted. */
  add(line: EventLine): void {
    if (!isSiteLine(line)) return
    this.taken++
    const entry = entryOf(line)
    if (!entry) return this.refuse('not-understood')
    const at = this.indexOf(line.seq)
    const other = this.held[at]
    if (other?.number === line.seq)
      return this.refuse(canonicalLine(other.line) === canonicalLine(line) ? 'double' : 'same-number')
    if (this.held.length === mostEntries) this.refuse('too-many')
    if (this.held.length === mostEntries && at === 0) return
    this.held.splice(at, 0, { number: line.seq, line, entry })
    if (this.held.length > mostEntries) this.held.shift()
    this.derived = undefined
  }

  /** A time check came: entries that had no time may have one now. */
  clockLearned(): void {
    this.derived = undefined
  }

  /** What only the log can know is wrong with an entry that `readEntry` took: a correction that would change nothing. */
  objections(entry: SiteEntry): readonly EntryFault[] {
    if (entry.kind !== 'correction') return []
    const target = this.entries().find((one) => one.number === entry.corrects)
    if (!target) return [fault('corrects', 'corrects-nothing', `the site log has no entry ${entry.corrects}`)]
    if (target.entry) return corrected(target.entry, entry).faults
    const by = target.correctedBy[target.correctedBy.length - 1]
    return [
      fault(
        'corrects',
        'withdrawn',
        `entry ${entry.corrects} was withdrawn by ${by}; withdraw ${by} to have it back`,
      ),
    ]
  }

  /** All of them in the order of their numbers, corrections and corrected ones too. */
  entries(): readonly ListedEntry[] {
    return this.view().entries
  }

  /** In the order of time. */
  deployments(): readonly Deployment[] {
    return this.view().deployments
  }

  units(): readonly Unit[] {
    return this.view().units
  }

  /** Everything that excludes or marks, visits and zero checks included. */
  spans(): readonly CountingSpan[] {
    return this.view().spans
  }

  /** What does not fit together. */
  doubts(): readonly Doubt[] {
    return this.view().doubts
  }

  /** @param slot of the channel asked about; without one only what concerns the whole station, or a unit without slot. */
  statusAt(utc: UtcMillis, slot?: string): SiteStatus {
    return this.timeline(slot).at(utc)
  }

  /** For a record: excluded or marked as soon as any part of [from, to) is; deployment and unit are those at `from`. */
  statusOver(from: UtcMillis, to: UtcMillis, slot?: string): SiteStatus {
    return this.timeline(slot).over(from, to)
  }

  /**
   * A stretch [from, to) around a time for all parts of which `statusOver` and `boundariesBetween` answer alike; undefined
   * within a boundary that takes time.
   */
  steadyAround(utc: UtcMillis, slot?: string): readonly [from: number, to: number] | undefined {
    let [from, to] = this.timeline(slot).around(utc)
    for (const { at, until } of this.view().boundaries) {
      if (until <= utc) from = Math.max(from, until)
      else if (at > utc) to = Math.min(to, at)
      else return undefined
    }
    return [from, to]
  }

  /**
   * What lies inside [from, to), its edges not: a figure of that time must not cross it silently.
   * @param slot of the channel; without one the boundaries of every slot.
   */
  boundariesBetween(from: UtcMillis, to: UtcMillis, slot?: string): readonly Boundary[] {
    return this.view().boundaries.filter(
      (b) => b.at < to && b.until > from && (slot === undefined || b.slot === undefined || b.slot === slot),
    )
  }

  /** What does not fit about an entry just made, in words; an open visit is not yet one that was not ended. */
  notesOn(number: number): readonly string[] {
    const notYet: readonly DoubtCode[] = ['visit-not-ended', 'no-zero-result']
    return this.doubts().flatMap((one) =>
      one.number === number && !notYet.includes(one.code) ? one.words : [],
    )
  }

  /** Held: entries whose time is not known yet. */
  counts(): StageCounts {
    const { misfits, unplaced } = this.view()
    const refused = { ...this.refused, ...(misfits > 0 ? { misfit: misfits } : {}) }
    const given = this.taken - unplaced - Object.values(refused).reduce((sum, n) => sum + n, 0)
    return { taken: this.taken, given, held: unplaced, refused }
  }

  private refuse(reason: string): void {
    this.refused[reason] = (this.refused[reason] ?? 0) + 1
  }

  private indexOf(number: number): number {
    let at = this.held.length
    while (at > 0 && this.held[at - 1].number >= number) at--
    return at
  }

  private timeline(slot: string | undefined): Timeline {
    const derived = this.view()
    // Slots that no entry names are all alike; '?' is no slot.
    const known = slot === undefined || derived.slots.has(slot) ? slot : '?'
    let timeline = derived.timelines.get(slotKey(known))
    if (!timeline) derived.timelines.set(slotKey(known), (timeline = new Timeline(derived, known)))
    return timeline
  }

  private view(): Derived {
    return (this.derived ??= derive(this.held, this.resolve, this.visit))
  }
}
