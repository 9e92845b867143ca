import type { Alert } from '../alerts/alerts.js'
import type { ChannelAverages } from '../averages/averages.js'
import type { Store } from '../store/store.js'
import { usualScreening } from '../screening/screening.js'
import {
  isMass,
  monoSeconds,
  type ColumnSet,
  type Line,
  type MonoSeconds,
  type RecordLine,
  type UtcMillis,
} from '../terms/terms.js'

/** The newest change of a rule as its event line tells it. */
export interface LastChange {
  readonly details: Readonly<Record<string, string>>
  readonly utc?: UtcMillis
}

/** What is kept beside the lines to start fast. A cache: everything in it can be found in the lines again. */
export interface Checkpoint {
  readonly v: 1
  readonly session: number
  /** Changes hold up to this number; younger lines are replayed over them. */
  readonly seq: number
  readonly changes: Readonly<Record<string, LastChange>>
  readonly uplink: unknown
}

const empty: Checkpoint = { v: 1, session: 0, seq: 0, changes: {}, uplink: undefined }

const isMap = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null

/** Accepts what looks like a checkpoint; anything else counts as none, and the lines are read instead. */
export function readCheckpoint(value: unknown): Checkpoint {
  if (!isMap(value) || value.v !== 1 || !isMap(value.changes)) return empty
  const { session, seq, uplink } = value
  if (!Number.isSafeInteger(session) || !Number.isSafeInteger(seq)) return empty
  const isChange = (change: unknown): boolean =>
    isMap(change) &&
    isMap(change.details) &&
    Object.values(change.details).every((text) => typeof text === 'string')
  if (!Object.values(value.changes).every(isChange)) return empty
  const changes = value.changes as Record<string, LastChange>
  return { v: 1, session: session as number, seq: seq as number, changes, uplink }
}

export interface RestoredAlerts {
  readonly changes: Map<string, LastChange>
  readonly newestSession: number
}

/** Checkpoint first, then the alert lines written after it: a line was synced before anybody was told, so it wins. */
export async function restoreAlerts(
  store: Store,
  checkpoint: Checkpoint,
  alerts: readonly Alert[],
): Promise<RestoredAlerts> {
  const changes = new Map(Object.entries(checkpoint.changes))
  let newestSession = checkpoint.session
  await store.scan(
    (view) => {
      const line = view.line()
      if (line?.kind !== 'event') return
      if (line.name === 'started') newestSession = Math.max(newestSession, Number(line.details.session) || 0)
      if (line.name === 'alert') changes.set(line.details.rule, { details: line.details, utc: line.utc })
    },
    { kind: 'event', from: checkpoint.seq + 1 },
  )
  for (const alert of alerts)
    alert.restore(changes.get(alert.rule.rule)?.details.state === 'raised' ? 'raised' : 'normal')
  return { changes, newestSession }
}

/** Lines looked at for the averages: a day of minutes, and what came between them. */
const linesForADay = 2000

/**
 * Fills the averages from the newest records. A record of this boot keeps its monotonic time; one of an earlier boot
 * needs UTC on both sides to be given the monotonic time it would have had, and is left out otherwise.
 */
export async function restoreAverages(
  store: Store,
  set: ColumnSet,
  boot: string,
  anchor: { mono: MonoSeconds; utc: UtcMillis } | undefined,
  averagesOf: (key: string) => ChannelAverages | undefined,
): Promise<void> {
  const newest = await store.newest(linesForADay)
  if (!newest.ok) return
  const placed = newest.value
    .map(({ line }) => line)
    .filter((line: Line): line is RecordLine => line.kind === 'record' && line.set === set.id)
    .map((line) => ({ line, at: placeOf(line, boot, anchor) }))
    .filter((p): p is { line: RecordLine; at: MonoSeconds } => p.at !== undefined)
    .sort((a, b) => a.at - b.at)
  for (const { line, at } of placed) addRecord(line, at, set, averagesOf)
}

function placeOf(
  line: RecordLine,
  boot: string,
  anchor: { mono: MonoSeconds; utc: UtcMillis } | undefined,
): MonoSeconds | undefined {
  if (line.boot === boot) return line.mono
  if (!anchor || line.utc === undefined) return undefined
  return monoSeconds(anchor.mono - (anchor.utc - line.utc) / 1000)
}

function addRecord(
  line: RecordLine,
  at: MonoSeconds,
  set: ColumnSet,
  averagesOf: (key: string) => ChannelAverages | undefined,
): void {
  set.columns.forEach((column, i) => {
    if (column.statistic !== 'mean') return
    const over = isOverRange(set, i, line.values)
    averagesOf(column.channel)?.add(at, line.seconds, line.planned, line.values[i + 1], line.values[i], over)
  })
}

/** True when a mass went over the cap within the record: its mean, which counts the cap, then says 'at least'. */
export function isOverRange(set: ColumnSet, meanAt: number, values: ArrayLike<number>): boolean {
  const { channel, statistic } = set.columns[meanAt + 2] ?? {}
  return statistic === 'max' && isMass(channel) && values[meanAt + 2] > usualScreening.capMicrogramsPerM3
}
