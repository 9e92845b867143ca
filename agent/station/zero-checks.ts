import {
  judgeZeroCheck,
  type ListedEntry,
  type SiteLog,
  type ZeroCheckOptions,
  type ZeroMinute,
  type ZeroOutcome,
} from '../sitelog/sitelog.js'
import type { Store } from '../store/store.js'
import { addSeconds, channelKey, type MonoSeconds, type RecordLine } from '../terms/terms.js'
import { placeOf } from './restart.js'
import type { Here } from './site-effects.js'

export interface RunningZeroCheck {
  readonly slot?: string
  /** In this boot's time. */
  readonly from: MonoSeconds
  /** When its result is worked out. */
  readonly due: MonoSeconds
}

/** A result that did not come by then (the station was off) never will: the filter is long gone. */
const forgottenAfterSeconds = 1800

/** When an entry happened in this boot's time; undefined where nobody can tell. */
export function monoOf({ from, entry, written }: ListedEntry, here: Here): MonoSeconds | undefined {
  if (from !== undefined && here.utc !== undefined) return addSeconds(here.mono, -(here.utc - from) / 1000)
  return entry?.from === 'now' && written.boot === here.boot ? written.mono : undefined
}

/** The zero checks that were begun and have no result yet, by the entries of the log. */
export function runningZeroChecks(log: SiteLog, here: Here, spanSeconds: number): RunningZeroCheck[] {
  const bySlot = new Map<string, RunningZeroCheck | undefined>()
  for (const one of log.entries()) {
    const kind = one.entry?.kind
    if (kind !== 'zero-check-start' && kind !== 'zero-check') continue
    const { slot } = one.entry!
    const from = kind === 'zero-check-start' ? monoOf(one, here) : undefined
    const young = from !== undefined && here.mono - from < spanSeconds + forgottenAfterSeconds
    const running = young
      ? { ...(slot === undefined ? {} : { slot }), from, due: addSeconds(from, spanSeconds) }
      : undefined
    bySlot.set(slot ?? '', running)
  }
  return [...bySlot.values()].filter((one) => one !== undefined)
}

/** Judges the records that lie wholly in the time of the filter, as they stand in the store. */
export async function zeroOutcome(
  store: Store,
  here: Here,
  check: RunningZeroCheck,
  options: ZeroCheckOptions,
): Promise<ZeroOutcome> {
  await store.flush()
  const newest = await store.newest(2 * Math.ceil(options.spanSeconds / 60) + 200)
  const lines = newest.ok ? newest.value.map(({ line }) => line) : []
  const records = lines.filter((line): line is RecordLine => line.kind === 'record')
  const anchor = here.utc === undefined ? undefined : { mono: here.mono, utc: here.utc }
  const inside = records.filter((record) => {
    const at = placeOf(record, here.boot, anchor)
    return at !== undefined && at >= check.from - 0.5 && at + record.seconds <= check.due + 0.5
  })
  return judgeZeroCheck(
    inside.map((record) => zeroMinute(store, record, check.slot)),
    options,
  )
}

function zeroMinute(store: Store, record: RecordLine, slot: string | undefined): ZeroMinute {
  const key = channelKey('pm2_5', slot)
  const columns = store.columnSet(record.set)?.columns ?? []
  const at = columns.findIndex((c) => c.channel === key && c.statistic === 'all')
  const noData = record.excluded[slot === undefined ? 'no-data' : `no-data.${slot}`] ?? 0
  return {
    meanMicrogramsPerM3: at < 0 ? NaN : record.values[at],
    usedSeconds: Math.max(0, record.seconds - noData),
  }
}
