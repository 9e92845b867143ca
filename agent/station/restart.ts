import type { Alert, AlertState } from '../alerts/alerts.js'
import type { ChannelAverages } from '../averages/averages.js'
import type { Store } from '../store/store.js'
import {
  monoSeconds,
  type ColumnSet,
  type Line,
  type MonoSeconds,
  type RecordLine,
  type UtcMillis,
} from '../terms/terms.js'

/** What is kept beside the lines to start fast. A cache: everything in it can be found in the lines again. */
export interface Checkpoint {
  readonly v: 1
  readonly session: number
  /** Alert states hold up to this number; younger lines are replayed over them. */
  readonly seq: number
  readonly alerts: Readonly<Record<string, AlertState>>
  readonly uplink: unknown
}

const empty: Checkpoint = { v: 1, session: 0, seq: 0, alerts: {}, uplink: undefined }

/** Accepts what looks like a checkpoint, part by part; anything else counts as none. */
export function readCheckpoint(value: unknown): Checkpoint {
  if (typeof value !== 'object' || value === null || (value as Checkpoint).v !== 1) return empty
  const { session, seq, alerts, uplink } = value as Record<string, unknown>
  const whole = (n: unknown): number => (Number.isSafeInteger(n) && (n as number) >= 0 ? (n as number) : 0)
  const states = Object.entries(typeof alerts === 'object' && alerts !== null ? alerts : {}).filter(
    (entry): entry is [string, AlertState] => entry[1] === 'normal' || entry[1] === 'raised',
  )
  return { v: 1, session: whole(session), seq: whole(seq), alerts: Object.fromEntries(states), uplink }
}

export interface RestoredAlerts {
  readonly changes: Map<string, { details: Record<string, string>; utc?: UtcMillis }>
  readonly newestSession: number
}

/** Checkpoint first, then the alert lines written after it: the line wins, it was synced before anybody was told. */
export async function restoreAlerts(
  store: Store,
  checkpoint: Checkpoint,
  alerts: readonly Alert[],
): Promise<RestoredAlerts> {
  const states = new Map<string, AlertState>(Object.entries(checkpoint.alerts))
  const changes: RestoredAlerts['changes'] = new Map()
  let newestSession = 0
  await store.events((line) => {
    if (line.name === 'started') newestSession = Math.max(newestSession, Number(line.details.session) || 0)
    if (line.name !== 'alert') return
    const { rule, state } = line.details
    if (state === 'normal' || state === 'raised') states.set(rule, state)
    changes.set(rule, { details: { ...line.details }, utc: line.utc })
  })
  for (const alert of alerts) alert.restore(states.get(alert.rule.rule) ?? 'normal')
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
  const placed = (await store.newest(linesForADay))
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
    const dot = column.channel.indexOf('.')
    const over = `over-range${dot < 0 ? '' : column.channel.slice(dot)}` in line.marked
    averagesOf(column.channel)?.add(at, line.seconds, line.planned, line.values[i + 1], line.values[i], over)
  })
}
