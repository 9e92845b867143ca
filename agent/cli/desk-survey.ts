/** One pass through a store before any figure is made: time checks, site log, columns, and where the lines are. */
import { siteLineName, SiteLog } from '../sitelog/sitelog.js'
import { BootOrder, TimeTable, type BootBounds, type LineView, type SoundFiles } from '../store/store.js'
import type { ColumnSet, EventLine, Line, Outcome } from '../terms/terms.js'
import { good } from '../terms/terms.js'
import { checkAhead } from './check-ahead.js'
import type { DeskStore } from './desk.js'

export interface Survey {
  readonly times: TimeTable
  /** When boots without any time check can have been. */
  readonly bounds: ReadonlyMap<string, BootBounds>
  readonly site: SiteLog
  /** The newest, which says the zone among other things. */
  readonly settingsLine: EventLine | undefined
  readonly sets: readonly ColumnSet[]
  readonly records: number
  /** Records whose columns nothing explains. */
  readonly unexplained: number
  readonly damaged: number
  /** Files without damage: they need not be checked again. */
  readonly sound: SoundFiles
  /** Stretches of numbers that hold lines, in order: a store is read stretch by stretch. */
  readonly stretches: readonly number[]
}

/** Numbers in one stretch; what a stretch holds is in memory at one time. */
export const stretchLines = 8192

export async function survey(store: DeskStore): Promise<Outcome<Survey>> {
  const { reader } = store
  const times = new TimeTable()
  const siteLines: EventLine[] = []
  const sets = new Map<string, ColumnSet>()
  const stretches = new Set<number>()
  const boots = new Set<string>()
  let newestBoot = ''
  let newestStretch = -1
  let newestSet: ColumnSet | undefined
  let settingsLine: EventLine | undefined
  let records = 0
  let unexplained = 0
  const take = (line: Line | undefined): void => {
    if (line) times.take(line)
    if (line?.kind === 'event' && line.name === siteLineName) siteLines.push(line)
    else if (line?.kind === 'event' && line.name === 'settings') settingsLine = line
  }
  const ahead = checkAhead(store)
  const visit = (view: LineView): void => {
    const stretch = Math.floor(view.seq / stretchLines)
    if (stretch !== newestStretch) stretches.add((newestStretch = stretch))
    if (!view.isRecord) return take(view.line())
    records++
    const boot = view.boot()
    if (boot !== newestBoot) boots.add((newestBoot = boot))
    const set = view.columnSet()
    if (!set) unexplained++
    else if (set !== newestSet) sets.set(set.id, (newestSet = set))
  }
  const scanned = await reader.scan(visit, { sound: ahead.sound })
  ahead.end()
  if (!scanned.ok) return scanned
  const unsynced = [...boots].some((boot) => !times.knows(boot))
  const bounds = unsynced ? await boundsOf(reader, times) : new Map<string, BootBounds>()
  const resolve = (boot: string, mono: EventLine['mono']) => times.at(boot, mono)?.utc
  return good({
    times,
    bounds,
    site: new SiteLog(
      siteLines.map((line) => ({ ...line, utc: times.ownOr(line.boot, line.mono, line.seq, line.utc) })),
      { resolve },
    ),
    settingsLine,
    sets: [...sets.values()],
    records,
    unexplained,
    damaged: scanned.value.damaged,
    sound: scanned.value.sound,
    stretches: [...stretches].sort((a, b) => a - b).map((n) => n * stretchLines),
  })
}

/** A further pass, only where some boot never learned the time. */
async function boundsOf(reader: DeskStore['reader'], times: TimeTable): Promise<Map<string, BootBounds>> {
  const order = new BootOrder()
  await reader.scan((view) => {
    if (view.isRecord) return order.note(view.boot(), view.seq, view.mono() + view.seconds())
    const line = view.line()
    if (line && 'boot' in line) order.note(line.boot, line.seq, line.mono)
  })
  return order.bounds(times)
}
