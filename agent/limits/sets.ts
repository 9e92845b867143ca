/** Which limits are shown: those in force on a day, from the World Health Organization and from the set that settings name. */
import type { Limit, LimitChannel, LimitSet } from './kinds.js'

/** Shown whatever settings say: the guideline for a day. */
export const usualSet = 'who-2021'

export const isInForce = (limit: Limit, day: string): boolean =>
  (limit.from ?? day) <= day && day <= (limit.to ?? day)

/** @param day 'YYYY-MM-DD' in local standard time */
export const limitsInForce = (
  limits: readonly Limit[],
  channel: LimitChannel,
  day: string,
): readonly Limit[] => limits.filter((limit) => limit.channel === channel && isInForce(limit, day))

export interface Shown {
  readonly sets: readonly LimitSet[]
  readonly own: readonly Limit[]
  /** Name of the set in the settings; without one only the guideline and own limits are shown. */
  readonly named?: string
}

/** The guideline for a day first, every limit of the named set, and own limits: for one channel, in force on a day. */
export function shownLimits(
  { sets, own, named }: Shown,
  channel: LimitChannel,
  day: string,
): readonly Limit[] {
  const usualFirst = [...sets].sort((a, b) => Number(b.name === usualSet) - Number(a.name === usualSet))
  const chosen = usualFirst.flatMap((set) => {
    if (set.name === named) return set.limits
    if (set.name !== usualSet) return []
    return set.limits.filter(({ averaging }) => averaging === '24-hour')
  })
  return limitsInForce([...chosen, ...own], channel, day)
}

/** The set whose index may be shown: only the one that settings name, and only if its documents define an index. */
export const indexSet = ({ sets, named }: Shown): LimitSet | undefined =>
  sets.find(({ name, index }) => name === named && index.length > 0)
