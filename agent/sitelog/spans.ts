/** Spans that do not count, or count with a warning, from entries in the order of happening. */
import type { UtcMillis } from '../terms/terms.js'
import type { SiteEntry, SiteKind } from './kinds.js'
import { doubt, slotKey, type Doubt, type Placed } from './placed.js'
import { endVisit, isOpen, startVisit, type VisitOptions, type VisitSpan } from './visit.js'

/** From `from` up to, not including, `to`. Only counting is affected; raw records stay as they are. */
export interface CountingSpan {
  readonly from: UtcMillis
  readonly to: UtcMillis
  readonly effect: 'mark' | 'exclude'
  readonly kind: SiteKind
  readonly reason: string
  /** Absent: the whole station. */
  readonly slot?: string
  /** The entry that made it. */
  readonly number: number
}

/** A zero check whose result never came ends by itself (common practice, no source). */
const longestZeroCheckMillis = 30 * 60_000

export function spansOf(
  placed: readonly Placed[],
  options: VisitOptions,
): { list: CountingSpan[]; doubts: Doubt[] } {
  const visits = visitSpans(placed, options)
  const zeros = zeroSpans(placed)
  const list = [...visits.list, ...zeros.list, ...placed.flatMap(ownSpan)]
  list.sort((a, b) => a.from - b.from || a.number - b.number)
  return { list, doubts: [...visits.doubts, ...zeros.doubts] }
}

function ownSpan({ entry, from, to, number }: Placed): CountingSpan[] {
  const { effect, kind, slot } = entry
  if (to === undefined || to <= from || effect === undefined || effect === 'none') return []
  return [
    { from, to, effect, kind, reason: reasonOf(entry), ...(slot === undefined ? {} : { slot }), number },
  ]
}

function reasonOf({ kind, name, reason, note }: SiteEntry): string {
  if (kind === 'excluded') return `${name}: ${reason}`
  if (kind === 'observed') return note!
  const words = kind.replace('-', ' ')
  return note === undefined ? words : `${words}: ${note}`
}

function visitSpans(
  placed: readonly Placed[],
  options: VisitOptions,
): { list: CountingSpan[]; doubts: Doubt[] } {
  const longest = options.longestSeconds * 1000
  const after = options.afterSeconds * 1000
  const visits: { visit: VisitSpan; number: number }[] = []
  const doubts: Doubt[] = []
  for (const { entry, from, number } of placed) {
    const last = visits.at(-1)
    if (entry.kind === 'visit-start') {
      const visit = startVisit(last?.visit, from, longest)
      if (last && isOpen(last.visit, from)) last.visit = visit
      else visits.push({ visit, number })
    } else if (entry.kind === 'visit-end') {
      const visit = endVisit(last?.visit, from, after)
      if (last && visit) last.visit = visit
      else doubts.push(doubt(number, 'no-visit'))
    }
  }
  for (const { visit, number } of visits) if (!visit.endTold) doubts.push(doubt(number, 'visit-not-ended'))
  return { list: visits.map(({ visit, number }) => serviceSpan(visit, number, after)), doubts }
}

const serviceSpan = (visit: VisitSpan, number: number, after: number): CountingSpan => ({
  from: visit.from as UtcMillis,
  to: (visit.endsAt + after) as UtcMillis,
  effect: 'exclude',
  kind: 'visit-start',
  reason: 'service: visit',
  number,
})

/** From the filter on the inlet to the result. A result with a span of its own is an own span. */
function zeroSpans(placed: readonly Placed[]): { list: CountingSpan[]; doubts: Doubt[] } {
  const list: CountingSpan[] = []
  const doubts: Doubt[] = []
  const begun = new Map<string, Placed>()
  const close = (start: Placed, end: number | undefined) => {
    const limit = start.from + longestZeroCheckMillis
    if (end === undefined || end > limit) doubts.push(doubt(start.number, 'no-zero-result'))
    list.push(zeroSpan(start, Math.min(end ?? limit, limit)))
  }
  for (const one of placed) {
    const { kind, slot } = one.entry
    if (kind !== 'zero-check-start' && kind !== 'zero-check') continue
    const start = begun.get(slotKey(slot))
    if (start) close(start, one.to ?? one.from)
    begun.delete(slotKey(slot))
    if (kind === 'zero-check-start') begun.set(slotKey(slot), one)
  }
  for (const start of begun.values()) close(start, undefined)
  return { list, doubts }
}

const zeroSpan = ({ from, number, entry }: Placed, to: number): CountingSpan => ({
  from,
  to: to as UtcMillis,
  effect: 'exclude',
  kind: 'zero-check-start',
  reason: 'service: zero check',
  ...(entry.slot === undefined ? {} : { slot: entry.slot }),
  number,
})
