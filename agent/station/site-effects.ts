import type { ListedEntry, SiteLog } from '../sitelog/sitelog.js'
import { utcMillis, type MonoSeconds, type UtcMillis } from '../terms/terms.js'

/** What an entry does to records already made, in this boot's time. */
export type SiteEffect =
  /** A figure must not cross this moment. */
  | { readonly kind: 'cut'; readonly at: MonoSeconds; readonly slot?: string }
  /** Records of this time do not count. */
  | { readonly kind: 'exclude'; readonly from: MonoSeconds; readonly to: MonoSeconds; readonly slot?: string }

export interface Here {
  readonly boot: string
  readonly mono: MonoSeconds
  /** Absent while the clock is not trusted: then only what was written in this boot can be placed. */
  readonly utc?: UtcMillis
}

const boundaryKinds: readonly string[] = ['set-up', 'swapped', 'moved', 'removed']

/** Changes of unit or place, and excluded spans, as they lie in the monotonic time of this boot. */
export function siteEffects(log: SiteLog, here: Here): SiteEffect[] {
  if (here.utc === undefined) return log.entries().flatMap((entry) => unplacedCut(entry, here))
  const mono = (utc: UtcMillis) => (here.mono - (here.utc! - utc) / 1000) as MonoSeconds
  const ever = [utcMillis(-8.64e15), utcMillis(8.64e15)] as const
  const cuts = log.boundariesBetween(...ever).map(({ until, slot }) => {
    return { kind: 'cut', at: mono(until), ...slotOf(slot) } as const
  })
  const spans = log
    .spans()
    .filter((span) => span.effect === 'exclude')
    .map(({ from, to, slot }) => {
      return { kind: 'exclude', from: mono(from), to: mono(to), ...slotOf(slot) } as const
    })
  return [...cuts, ...spans]
}

function unplacedCut({ entry, written }: ListedEntry, here: Here): SiteEffect[] {
  if (!entry || written.boot !== here.boot || entry.from !== 'now') return []
  if (!boundaryKinds.includes(entry.kind)) return []
  return [{ kind: 'cut', at: written.mono, ...slotOf(entry.kind === 'set-up' ? undefined : entry.slot) }]
}

const slotOf = (slot: string | undefined) => (slot === undefined ? {} : { slot })
