/** Everything that follows from the entries of a log, worked out anew whenever one was added. */
import type { EventLine, UtcMillis } from '../terms/terms.js'
import { applyCorrections, type Corrected } from './corrections.js'
import type { SiteEntry } from './kinds.js'
import { byTime, doubt, place, type Doubt, type Placed, type Resolve, type Written } from './placed.js'
import { boundariesOf, deploymentsOf, unitsOf, type Boundary, type Deployment, type Unit } from './places.js'
import { spansOf, type CountingSpan } from './spans.js'
import type { Timeline } from './timeline.js'
import type { VisitOptions } from './visit.js'

export interface ListedEntry {
  readonly number: number
  readonly written: Written
  readonly asWritten: SiteEntry
  /** After corrections; undefined when it was withdrawn. */
  readonly entry: SiteEntry | undefined
  readonly correctedBy: readonly number[]
  /** When it happened; undefined while that is not known, and for corrections and what was withdrawn. */
  readonly from?: UtcMillis
  readonly to?: UtcMillis
}

export interface Held {
  readonly number: number
  readonly line: EventLine
  readonly entry: SiteEntry
}

export interface Derived {
  readonly entries: readonly ListedEntry[]
  readonly deployments: readonly Deployment[]
  readonly units: readonly Unit[]
  readonly spans: readonly CountingSpan[]
  readonly boundaries: readonly Boundary[]
  readonly doubts: readonly Doubt[]
  readonly misfits: number
  readonly unplaced: number
  readonly slots: ReadonlySet<string>
  /** By slot, made when first asked for. */
  readonly timelines: Map<string, Timeline>
}

/** @param held in the order of their numbers. */
export function derive(held: readonly Held[], resolve: Resolve, visit: VisitOptions): Derived {
  const settled = applyCorrections(held)
  const entries = held.map((one) => listed(one, settled.get(one.number)!, resolve))
  const placed = entries.flatMap(placedEntry)
  const reversed = new Set(placed.filter((one) => (one.to ?? one.from) < one.from))
  const ordered = placed.filter((one) => !reversed.has(one)).sort(byTime)
  const deployments = deploymentsOf(ordered)
  const units = unitsOf(ordered)
  const spans = spansOf(ordered, visit)
  const misfits = held.filter(({ number }) => settled.get(number)!.misfit)
  const doubts = [
    ...misfits.map(({ number }) => doubt(number, 'corrects-nothing')),
    ...[...reversed].map(({ number }) => doubt(number, 'time-reversed')),
    ...[deployments, units, spans].flatMap((part) => part.doubts),
  ]
  return {
    entries,
    deployments: deployments.list,
    units: units.list,
    spans: spans.list,
    boundaries: boundariesOf(ordered),
    doubts: doubts.sort((a, b) => a.number - b.number),
    misfits: misfits.length + reversed.size,
    unplaced: entries.filter((one) => waits(one)).length,
    slots: new Set([...spans.list, ...units.list].flatMap((one) => one.slot ?? [])),
    timelines: new Map(),
  }
}

function listed({ number, line, entry }: Held, state: Corrected, resolve: Resolve): ListedEntry {
  const counts = state.entry && state.entry.kind !== 'correction' ? state.entry : undefined
  const at = counts && place(number, counts, line, resolve)
  return {
    number,
    written: { boot: line.boot, mono: line.mono, utc: line.utc },
    asWritten: entry,
    entry: state.entry,
    correctedBy: state.correctedBy,
    ...(at ? { from: at.from, ...(at.to === undefined ? {} : { to: at.to }) } : {}),
  }
}

const waits = ({ entry, from }: ListedEntry): boolean =>
  entry !== undefined && entry.kind !== 'correction' && from === undefined

function placedEntry({ number, entry, from, to }: ListedEntry): Placed[] {
  if (!entry || from === undefined) return []
  return [{ number, entry, from, ...(to === undefined ? {} : { to }) }]
}
