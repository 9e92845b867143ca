import type { MonoSeconds } from '../terms/terms.js'
import { endOf, everything, type Ledger, type Mute } from './ledger.js'
import type { Outbox } from './outbox.js'
import type { Pending } from './pending.js'

/** Mutes that have run out; they are forgotten with this. */
export function takeEnded(ledger: Ledger, now: MonoSeconds): readonly Mute[] {
  const ended = [...ledger.mutes.values()].filter((mute) => endOf(mute) <= now)
  for (const { what } of ended) ledger.mutes.delete(what)
  return ended
}

/** What was raised and over while it was muted is not told afterwards, unless a raise before it was; what is still raised is. */
export function dropMuted(mute: Mute, outbox: Outbox, now: MonoSeconds): void {
  for (const pending of outbox.pending())
    if (!pending.progress.isUnderWay && isWithin(pending, mute)) outbox.outdate(pending, 'muted', now)
}

/** A raise that was tried may have come through, whatever its way said. */
function isWithin({ book, person, progress, raised, newest }: Pending, mute: Mute): boolean {
  const isMeant = mute.what === everything || mute.what === book.rule
  if (progress.attempts > 0 || person.fates.get(book.rule)?.knowsRaised) return false
  return isMeant && raised !== undefined && raised.stamp.at >= mute.stamp.at && newest.stamp.at <= endOf(mute)
}
