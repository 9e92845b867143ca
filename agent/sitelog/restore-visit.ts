/** Finds out after a restart of the agent or the board whether a visit is going on. */
import { addSeconds, type MonoSeconds, type UtcMillis } from '../terms/terms.js'
import type { ListedEntry } from './derive.js'
import type { SiteLog } from './log.js'
import { usualVisit, Visit, type VisitOptions } from './visit.js'

export interface Moment {
  /** First eight hex digits of the boot id, as in lines. */
  readonly boot: string
  readonly mono: MonoSeconds
  /** Absent while the clock is not trusted. */
  readonly utc?: UtcMillis
}

/** A boot before this one, and the newest monotonic time of any of its lines. */
export interface EarlierBoot {
  readonly boot: string
  readonly lastMono: MonoSeconds
}

/**
 * The visit as the lines tell it. Only entries young enough to matter are looked at; the first `step` tells of a visit
 * that closed itself meanwhile. Without a clock the age of an entry is the time for which the station is known to have
 * run since: too short if anything, so that a visit rather lasts too long than alerts go out while somebody is there.
 * @param earlier oldest first; a boot that is not among them was too long ago.
 */
export function restoreVisit(
  log: SiteLog,
  now: Moment,
  earlier: readonly EarlierBoot[] = [],
  options: VisitOptions = usualVisit,
): Visit {
  const visit = new Visit(options)
  const young = log.entries().flatMap((one) => {
    const kind = one.entry?.kind
    if (kind !== 'visit-start' && kind !== 'visit-end') return []
    const age = ageSeconds(one, now, earlier)
    return age !== undefined && age < options.longestSeconds + options.afterSeconds
      ? [{ kind, age, number: one.number }]
      : []
  })
  young.sort((a, b) => b.age - a.age || a.number - b.number)
  for (const { kind, age } of young)
    if (kind === 'visit-start') visit.start(addSeconds(now.mono, -age))
    else visit.end(addSeconds(now.mono, -age))
  return visit
}

function ageSeconds(one: ListedEntry, now: Moment, earlier: readonly EarlierBoot[]): number | undefined {
  const { written, entry } = one
  if (entry!.from !== 'now' && one.from !== undefined && now.utc !== undefined)
    return Math.max(0, (now.utc - one.from) / 1000)
  const sinceWritten = writtenAgeSeconds(one, now, earlier)
  if (sinceWritten === undefined || entry!.from === 'now') return sinceWritten
  if (written.utc === undefined || one.from === undefined) return undefined
  return sinceWritten + Math.max(0, (written.utc - one.from) / 1000)
}

function writtenAgeSeconds(
  { written, from, entry }: ListedEntry,
  now: Moment,
  earlier: readonly EarlierBoot[],
): number | undefined {
  if (written.boot === now.boot) return Math.max(0, now.mono - written.mono)
  const utc = written.utc ?? (entry!.from === 'now' ? from : undefined)
  if (utc !== undefined && now.utc !== undefined) return Math.max(0, (now.utc - utc) / 1000)
  const first = earlier.findIndex(({ boot }) => boot === written.boot)
  if (first < 0) return undefined
  const ran = earlier.slice(first).reduce((sum, { lastMono }) => sum + lastMono, 0)
  return Math.max(0, ran - written.mono + now.mono)
}
