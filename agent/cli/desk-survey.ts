/** One pass through a store before any figure is made: time checks, site log, columns, and where the lines are. */
import { siteLineName, SiteLog } from '../sitelog/sitelog.js'
import { TimeTable, type LineView } from '../store/store.js'
import type { ColumnSet, EventLine, Line, Outcome } from '../terms/terms.js'
import { good } from '../terms/terms.js'
import type { DeskStore } from './desk.js'

export interface Survey {
  readonly times: TimeTable
  readonly site: SiteLog
  /** The newest, which says the zone among other things. */
  readonly settingsLine: EventLine | undefined
  readonly sets: readonly ColumnSet[]
  readonly records: number
  /** Records whose columns nothing explains. */
  readonly unexplained: number
  readonly damaged: number
  /** Stretches of numbers that hold lines, in order: a store is read stretch by stretch. */
  readonly stretches: readonly number[]
}

/** Numbers in one stretch; what a stretch holds is in memory at one time. */
export const stretchLines = 8192

export async function survey({ reader }: DeskStore): Promise<Outcome<Survey>> {
  const times = new TimeTable()
  const siteLines: EventLine[] = []
  const sets = new Map<string, ColumnSet>()
  const stretches = new Set<number>()
  let settingsLine: EventLine | undefined
  let records = 0
  let unexplained = 0
  const take = (line: Line | undefined): void => {
    if (line?.kind === 'anchor') times.add(line)
    else if (line?.kind === 'event' && line.name === siteLineName) siteLines.push(line)
    else if (line?.kind === 'event' && line.name === 'settings') settingsLine = line
  }
  const scanned = await reader.scan((view: LineView) => {
    stretches.add(Math.floor(view.seq / stretchLines))
    if (!view.isRecord) return take(view.line())
    records++
    const set = view.columnSet()
    if (set) sets.set(set.id, set)
    else unexplained++
  })
  if (!scanned.ok) return scanned
  const resolve = (boot: string, mono: EventLine['mono']) => times.at(boot, mono)?.utc
  return good({
    times,
    site: new SiteLog(siteLines, { resolve }),
    settingsLine,
    sets: [...sets.values()],
    records,
    unexplained,
    damaged: scanned.value.damaged,
    stretches: [...stretches].sort((a, b) => a - b).map((n) => n * stretchLines),
  })
}
