/**
 * Runs of hours above a level. A gap of missing hours is bridged when it is no longer than told and hours above lie on both
 * sides; what is missing there is counted, never filled. No episode begins or ends with a missing hour, and an hour at the
 * level or below ends one.
 */
export interface EpisodeHour {
  /** Start of the hour; hours follow one another without holes. */
  readonly from: number
  /** NaN for an hour that does not count. */
  readonly mean: number
}

export interface EpisodeRule {
  /** Strictly above. */
  readonly above: number
  /** Missing hours in a row that do not end an episode. */
  readonly gapHours: number
  /** Shorter runs, gaps included, are left out. */
  readonly leastHours: number
}

export interface Episode {
  /** Places in the list of hours, both included. */
  readonly first: number
  readonly last: number
  readonly missing: number
}

export function episodesIn(
  hours: readonly EpisodeHour[],
  { above, gapHours, leastHours }: EpisodeRule,
): Episode[] {
  const episodes: Episode[] = []
  let open: { first: number; last: number; missing: number } | undefined
  let gap = 0
  const close = (): void => {
    if (open && open.last - open.first + 1 >= leastHours) episodes.push(open)
    open = undefined
    gap = 0
  }
  hours.forEach(({ mean }, i) => {
    if (Number.isNaN(mean)) {
      if (++gap > gapHours) close()
    } else if (!(mean > above)) close()
    else {
      if (open) open = { first: open.first, last: i, missing: open.missing + gap }
      else open = { first: i, last: i, missing: 0 }
      gap = 0
    }
  })
  close()
  return episodes
}
