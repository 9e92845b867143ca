import type { ChannelAverages } from '../averages/averages.js'
import { siteLineName, type EarlierBoot } from '../sitelog/sitelog.js'
import type { Store, TimeTable } from '../store/store.js'
import { usualScreening } from '../screening/screening.js'
import {
  asTime,
  canonicalLine,
  isMass,
  monoSeconds,
  parseLine,
  type ColumnSet,
  type EventLine,
  type Line,
  type MonoSeconds,
  type RecordLine,
  type StateFile,
  type UtcMillis,
} from '../terms/terms.js'
import { CommandNumbers, savedNumbers } from './command-lines.js'
import { DeliveryLines, type FoundDelivery } from './delivery-lines.js'
import { tableOf } from './stored-times.js'

/** The newest change of a rule as its event line tells it. */
export interface LastChange {
  readonly details: Readonly<Record<string, string>>
  readonly utc?: UtcMillis
}

/** What is kept beside the lines to start fast. A cache: everything in it can be found in the lines again. */
export interface Checkpoint {
  readonly v: 1
  readonly session: number
  /** Changes, settings and site log hold up to this number; younger lines are replayed over them. */
  readonly seq: number
  readonly changes: Readonly<Record<string, LastChange>>
  /** Of the newest settings line. */
  readonly settingsHash?: string
  /** Canonical texts of the site log's lines up to `seq`; absent where they are too many: then all lines are read. */
  readonly site?: readonly string[]
  readonly uplink: unknown
  /** Battery, sun and plan, as `EnergyWatch.save` gave it. */
  readonly energy?: unknown
  readonly seals?: unknown
  /** Of what is to be told to whom: canonical texts, as `DeliveryWatch.save` gave them. */
  readonly delivery?: unknown
  /** The highest number of each key whose command was taken. */
  readonly commands?: Readonly<Record<string, number>>
  /** Days of the cleanest air and running hours, as `TroubleWatch.save` gave them: these stand nowhere else. */
  readonly troubles?: unknown
  /** Numbers up to this one may have left; absent after a clean stop, when every line is safe. */
  readonly reservedUpTo?: number
}

/**
 * Numbers that each checkpoint keeps free above the newest line: so many lines may leave while the disk fails. At a line a
 * minute and some beside it these are two days and a half.
 */
export const reservedAhead = 4096

const empty: Checkpoint = { v: 1, session: 0, seq: 0, changes: {}, uplink: undefined }
/** A longer site log is read from the lines at each start. */
const mostSiteCharacters = 200_000

const isMap = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null

/** Accepts what looks like a checkpoint; anything else counts as none, and the lines are read instead. */
export function readCheckpoint(value: unknown): Checkpoint {
  if (!isMap(value) || value.v !== 1 || !isMap(value.changes)) return empty
  const { session, seq, settingsHash, site, uplink, seals, reservedUpTo } = value
  if (!Number.isSafeInteger(session) || !Number.isSafeInteger(seq)) return empty
  const isChange = (change: unknown): boolean =>
    isMap(change) &&
    isMap(change.details) &&
    Object.values(change.details).every((text) => typeof text === 'string') &&
    (change.utc === undefined || (typeof change.utc === 'number' && asTime(change.utc) !== undefined))
  if (!Object.values(value.changes).every(isChange)) return empty
  const changes = value.changes as Record<string, LastChange>
  const commands = savedNumbers(value.commands)
  if (!commands) return empty
  return {
    v: 1,
    session: session as number,
    seq: seq as number,
    changes,
    ...(typeof settingsHash === 'string' ? { settingsHash } : {}),
    ...(Array.isArray(site) && site.every((text) => typeof text === 'string') ? { site } : {}),
    uplink,
    energy: value.energy,
    delivery: value.delivery,
    commands,
    troubles: value.troubles,
    seals,
    ...(Number.isSafeInteger(reservedUpTo) ? { reservedUpTo: reservedUpTo as number } : {}),
  }
}

/**
 * With what a store is to be opened so that no number is given again that may have left the station: the checkpoint beside it
 * says so, and where that cannot be read, as many numbers are left out as it may have kept free.
 */
export async function reservedNumbers(
  state: StateFile,
): Promise<{ readonly atLeastSeq?: number; readonly leaveOut?: number }> {
  const loaded = await state.load()
  if (!loaded.ok) return { leaveOut: reservedAhead }
  return { atLeastSeq: readCheckpoint(loaded.value).reservedUpTo ?? 0 }
}

/** The part of a site log that a checkpoint may hold: what is safe, if it is not too long. */
export function siteTexts(lines: readonly EventLine[], safeSeq: number): readonly string[] | undefined {
  const texts = lines.filter(({ seq }) => seq <= safeSeq).map((line) => canonicalLine(line))
  const characters = texts.reduce((sum, text) => sum + text.length, 0)
  return characters > mostSiteCharacters ? undefined : texts
}

export interface RestoredEvents {
  readonly changes: Map<string, LastChange>
  readonly newestSession: number
  readonly settingsHash: string | undefined
  readonly site: readonly EventLine[]
  readonly delivery: FoundDelivery
  /** The highest number of each key whose command was taken. */
  readonly commands: ReadonlyMap<string, number>
}

/** Checkpoint first, then the lines written after it: a line was synced before anybody was told, so it wins. */
export async function restoreEvents(store: Store, checkpoint: Checkpoint): Promise<RestoredEvents> {
  const kept = checkpoint.site?.map((text) => parseLine(text, new Map()))
  const keptSite = kept?.every((line) => line?.kind === 'event') ? (kept as EventLine[]) : undefined
  const changes = new Map(Object.entries(checkpoint.changes))
  let { session: newestSession, settingsHash } = checkpoint
  const site = keptSite ?? []
  const delivery = new DeliveryLines(checkpoint.delivery, checkpoint.seq)
  const commands = new CommandNumbers(checkpoint.commands)
  const from = keptSite ? checkpoint.seq + 1 : 1
  await store.scan(
    (view) => {
      const line = view.line()
      if (line?.kind !== 'event') return
      const { name, details, utc } = line
      if (name === 'started') newestSession = Math.max(newestSession, Number(details.session) || 0)
      if (name === 'alert') changes.set(details.rule, { details, utc })
      if (name === 'settings') settingsHash = details.hash
      if (name === siteLineName) site.push(line)
      delivery.add(line)
      commands.add(line)
    },
    { kind: 'event', from },
  )
  return {
    changes,
    newestSession,
    settingsHash,
    site,
    delivery: delivery.found(changes),
    commands: commands.highest,
  }
}

/** Enough for the longest visit, and what comes after it. */
const linesForAVisit = 400

/** The boots before this one among the newest lines, oldest first, each with its newest monotonic time. */
export async function earlierBoots(store: Store, boot: string): Promise<EarlierBoot[]> {
  const newest = await store.newest(linesForAVisit)
  const last = new Map<string, MonoSeconds>()
  for (const { line } of newest.ok ? newest.value : []) {
    if (!('boot' in line) || line.boot === boot) continue
    last.set(line.boot, monoSeconds(Math.max(last.get(line.boot) ?? 0, line.mono)))
  }
  return [...last].map(([boot, lastMono]) => ({ boot, lastMono }))
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
  ofSensors: ReadonlySet<string>,
): Promise<void> {
  const newest = await store.newest(linesForADay)
  if (!newest.ok) return
  const lines = newest.value.map(({ line }) => line)
  const times = tableOf(lines)
  const placed = lines
    .filter((line: Line): line is RecordLine => line.kind === 'record' && line.set === set.id)
    .map((line) => ({ line, at: placeOf(line, boot, anchor, times) }))
    .filter((p): p is { line: RecordLine; at: MonoSeconds } => p.at !== undefined)
    .sort((a, b) => a.at - b.at)
  for (const { line, at } of placed) addRecord(line, at, set, averagesOf, ofSensors)
}

/** Monotonic time of this boot; a record that would lie in the future was timed wrongly, and nobody knows its place. */
export function placeOf(
  line: RecordLine,
  boot: string,
  anchor: { mono: MonoSeconds; utc: UtcMillis } | undefined,
  times?: TimeTable,
): MonoSeconds | undefined {
  if (line.boot === boot) return line.mono
  const utc = anchor && (times ? times.ownOr(line.boot, line.mono, line.seq, line.utc) : line.utc)
  if (utc === undefined) return undefined
  const at = monoSeconds(anchor!.mono - (anchor!.utc - utc) / 1000)
  return at <= anchor!.mono ? at : undefined
}

function addRecord(
  line: RecordLine,
  at: MonoSeconds,
  set: ColumnSet,
  averagesOf: (key: string) => ChannelAverages | undefined,
  ofSensors: ReadonlySet<string>,
): void {
  set.columns.forEach((column, i) => {
    if (column.statistic !== 'mean') return
    const over = isOverRange(set, i, line.values)
    const planned = ofSensors.has(column.channel) ? line.planned : line.seconds
    averagesOf(column.channel)?.add(at, line.seconds, planned, line.values[i + 1], line.values[i], over)
  })
}

/** True when a mass went over the cap within the record: its mean, which counts the cap, then says 'at least'. */
export function isOverRange(set: ColumnSet, meanAt: number, values: ArrayLike<number>): boolean {
  const { channel, statistic } = set.columns[meanAt + 2] ?? {}
  return statistic === 'max' && isMass(channel) && values[meanAt + 2] > usualScreening.capMicrogramsPerM3
}
