/** What a store knows of time: the newest that was trusted, checks of this boot, and checks that a better one disproves. */
import { agree, errorBy, utcBy, type AnchorPoint, type StoredTime } from '../clock/clock.js'
import { TimeTable, type Store } from '../store/store.js'
import { monoSeconds, withdrawnName, type AnchorLine, type Line } from '../terms/terms.js'

/** Looked at first; further back only where all that time nobody knew the time. */
const newestLines = [400, 4000]

type Timed = Extract<Line, { readonly boot: string }>

async function newestOf(store: Store, count: number): Promise<Line[]> {
  const read = await store.newest(count)
  return read.ok ? read.value.map(({ line }) => line) : []
}

/** The time of the newest line that had one, and how far it may be off; numbers are in true order, whatever the clock said. */
export async function newestStoredTime(store: Store): Promise<StoredTime | undefined> {
  for (const count of newestLines) {
    const lines = await newestOf(store, count)
    const found = newestTimed(lines)
    if (found) return found
    if (lines.length < count) return undefined
  }
  return newestTimed(await allTimeChecks(store))
}

function newestTimed(lines: readonly Line[]): StoredTime | undefined {
  const times = tableOf(lines)
  const line = lines.findLast(
    (one): one is Timed => 'boot' in one && one.kind !== 'anchor' && one.utc !== undefined,
  )
  const anchors = lines.filter(isAnchor)
  const behind = line && anchors.findLast(({ boot, seq }) => boot === line.boot && seq < line.seq)
  if (line && !times.isWithdrawn(line.boot, line.seq)) {
    const placed = behind && times.at(line.boot, line.mono)
    return { utc: line.utc!, source: behind?.source, errorSeconds: placed?.errorSeconds ?? usualErrorSeconds }
  }
  // Where the newest line was timed wrongly, the newest check that stands bounds the present.
  const standing = anchors.findLast(({ boot, seq }) => !times.isWithdrawn(boot, seq + 1))
  return standing && { utc: standing.utc, source: standing.source, errorSeconds: standing.errorSeconds }
}

/** Where the check behind a record is not among the lines looked at: an hourly one was written before. */
const usualErrorSeconds = 1

const isAnchor = (line: Line): line is AnchorLine => line.kind === 'anchor'

export function tableOf(lines: Iterable<Line>): TimeTable {
  const times = new TimeTable()
  for (const line of lines) times.take(line)
  return times
}

/** Checks of this boot by others than the board's own clock: what they said still holds after a restart of the agent. */
export async function restoredClaims(store: Store, boot: string): Promise<AnchorPoint[]> {
  const lines = await newestOf(store, newestLines[0])
  const times = tableOf(lines)
  const isOther = ({ source }: AnchorLine): boolean => ['person', 'satellite', 'modem'].includes(source)
  return lines
    .filter(isAnchor)
    .filter((anchor) => anchor.boot === boot && isOther(anchor) && !times.isWithdrawn(boot, anchor.seq + 1))
    .map(({ mono, utc, source, errorSeconds }) => ({ mono, utc, source, errorSeconds }))
}

/** All anchors, and what was withdrawn of them. */
async function allTimeChecks(store: Store): Promise<Line[]> {
  const lines: Line[] = []
  for (const kind of ['anchor', 'event'])
    await store.scan(
      (view) => {
        const line = view.line()
        if (line && (line.kind === 'anchor' || (line.kind === 'event' && line.name === withdrawnName)))
          lines.push(line)
      },
      { kind },
    )
  return lines.sort((a, b) => a.seq - b.seq)
}

export interface Disproved {
  readonly boot: string
  /** Numbers of the first and the last. */
  readonly from: number
  readonly to: number
}

/**
 * Checks of this boot that contradict a better one, and checks of earlier boots that lie after this boot began; those that
 * were withdrawn before are left out.
 */
export async function disprovedAnchors(
  store: Store,
  by: AnchorPoint & { readonly boot: string },
): Promise<Disproved[]> {
  const lines = await allTimeChecks(store)
  const times = tableOf(lines)
  const began = utcBy(by, monoSeconds(0))
  const isWrong = (anchor: AnchorLine): boolean => {
    if (times.isWithdrawn(anchor.boot, anchor.seq + 1)) return false
    if (anchor.boot === by.boot) return !agree(anchor, by, by.mono)
    return anchor.utc > began + (anchor.errorSeconds + errorBy(by, monoSeconds(0))) * 1000
  }
  const spans: { boot: string; from: number; to: number }[] = []
  let open = false
  for (const anchor of lines.filter(isAnchor)) {
    const last = spans.at(-1)
    const wrong = isWrong(anchor)
    if (wrong && open && last?.boot === anchor.boot) last.to = anchor.seq
    else if (wrong) spans.push({ boot: anchor.boot, from: anchor.seq, to: anchor.seq })
    open = wrong
  }
  return spans
}
