import type { Fault, MonoSeconds, Range } from '../terms/terms.js'
import type { Announcements } from './announcements.js'
import type { Ledger } from './ledger.js'
import type { Link } from './link.js'
import type { UplinkPorts, UplinkStatus } from './options.js'
import type { Pace } from './pace.js'

/** What an uplink consists of, for those who report on it. */
export interface UplinkView {
  readonly ledger: Ledger
  readonly link: Link
  readonly pace: Pace
  readonly announcements: Announcements
  readonly acknowledged: number
  readonly lastFault?: Fault
  readonly receiptAt?: MonoSeconds
  readonly deafSince?: MonoSeconds
}

export function uplinkStatus(now: MonoSeconds, view: UplinkView): UplinkStatus {
  const { ledger, link, announcements } = view
  const { safe, sent, away, backlog } = ledger.standing()
  const { failures, nextAt } = link.standing
  const bytes = link.bytes()
  const age = (name: string, at: MonoSeconds | undefined) =>
    at === undefined ? {} : { [name]: Math.round(now - at) }
  return {
    state: link.state,
    for_s: Math.round(now - link.since),
    ...(nextAt !== undefined && nextAt > now ? { next_attempt_s: Math.round(nextAt - now) } : {}),
    failures,
    ...(view.lastFault ? { last_fault: view.lastFault } : {}),
    safe,
    sent,
    safe_away: away,
    backlog,
    waits: view.pace.waits(now, link),
    budget: view.pace.report(now),
    ...(ledger.parked.length > 0 ? { parked: ledger.parked } : {}),
    lines: ledger.counts(),
    packs_acknowledged: view.acknowledged,
    retained_waiting: announcements.waiting,
    retained_refused: announcements.refused,
    bytes_sent: bytes.sent,
    bytes_received: bytes.received,
    ...age('receipt_age_s', view.receiptAt),
    ...age('round_trip_age_s', announcements.heardAt),
    ...age('unanswered_s', view.deafSince),
  }
}

const mostNamed = 5

/** 'lines 12, 40 to 42 and 3 more stretches' */
function parkedWords(parked: readonly Range[]): string {
  const names = parked.slice(0, mostNamed).map(([from, to]) => (from === to ? `${from}` : `${from} to ${to}`))
  const more = parked.length - mostNamed
  return `lines ${names.join(', ')}${more > 0 ? ` and ${more} more stretches` : ''}`
}

/** A message was taken: what stood against the broker is over. */
export function clearAnswered(
  faults: UplinkPorts['faults'],
  { parked }: Ledger,
  departures: { readonly troubled: boolean },
  announcements: { readonly anyRefused: boolean },
): void {
  faults.clear('broker-silent', 'broker-full')
  if (!departures.troubled && !announcements.anyRefused) faults.clear('broker-refused', 'broker-denied')
  if (parked.length === 0) faults.clear('lines-parked')
  else faults.raise({ code: 'lines-parked', detail: parkedWords(parked) })
}
