import { stateFile } from '../hardware/state-file.js'
import { join } from 'node:path'
import { eachFoundLine, readFoundLine, type FoundLine } from '../store/store.js'
import {
  good,
  parseLine,
  RangeSet,
  type ColumnSet,
  type Line,
  type Outcome,
  type SkipLine,
} from '../terms/terms.js'
import {
  asProblem,
  openOneStore,
  refuse,
  say,
  whereToLook,
  type DeskOptions,
  type DeskStore,
} from './desk.js'
import { survey, type Survey } from './desk-survey.js'
import { zoneFor, type DeskZone } from './desk-zone.js'
import { traceJson, traceText } from './trace-words.js'

export interface TraceOptions extends DeskOptions {
  readonly zone?: string
}

export interface Neighbour {
  readonly seq: number
  readonly text: string
}

/** All that is known of one number. */
export interface Traced {
  readonly seq: number
  readonly store: DeskStore
  readonly survey: Survey
  readonly zone: DeskZone
  readonly sets: ReadonlyMap<string, ColumnSet>
  /** Where it stands; usually one place. */
  readonly places: readonly FoundLine[]
  /** Undefined: no whole line of this number, or one that is not understood. */
  readonly line: Line | undefined
  /** Lines that say why a number has no line. */
  readonly skips: readonly SkipLine[]
  readonly before: Neighbour | undefined
  readonly after: Neighbour | undefined
  readonly delivery: Delivery
}

/** What the checkpoint beside the lines says; a cache, as old as its last saving. */
export type Delivery =
  | { readonly known: false; readonly why: string }
  | {
      readonly known: true
      /** The checkpoint held the lines up to here. */
      readonly upTo: number
      readonly uplink?: { readonly sent: RangeSet; readonly away: RangeSet }
    }

/** One line from its bytes to its receipt. @returns exit code: 0 traced, 1 no such line or a spoilt one, 2 wrong use */
export async function trace(seq: number, options: TraceOptions): Promise<number> {
  const where = await whereToLook(options)
  if (!where.ok) return refuse(where)
  const store = await openOneStore(where.value.folder, options.storeId)
  if (!store.ok) return refuse(store)
  const surveyed = await survey(store.value)
  if (!surveyed.ok) return refuse(asProblem(surveyed.fault))
  const zone = zoneFor(options.zone, where.value.settings, surveyed.value.settingsLine)
  if (!zone.ok) return refuse(zone)
  const traced = await follow(seq, store.value, surveyed.value, zone.value)
  if (!traced.ok) return refuse(asProblem(traced.fault))
  const { line, places } = traced.value
  const text = options.json ? traceJson(traced.value) : traceText(traced.value).join('\n')
  await say(text)
  return line && places.every(({ state }) => state === 'line') ? 0 : 1
}

async function follow(
  seq: number,
  store: DeskStore,
  surveyed: Survey,
  zone: DeskZone,
): Promise<Outcome<Traced>> {
  const sets = new Map(surveyed.sets.map((set) => [set.id, set]))
  const places: FoundLine[] = []
  const skips: SkipLine[] = []
  let before: Neighbour | undefined
  let after: Neighbour | undefined
  const names = store.files.map(({ name }) => name)
  const looked = await eachFoundLine(store.disk, store.storeId, names, (found) => {
    if ('seq' in found && found.seq === seq) places.push(found)
    if (found.state !== 'line' || found.seq === seq) return
    if (found.seq < seq && found.seq > (before?.seq ?? -1)) before = { seq: found.seq, text: found.text }
    if (found.seq > seq && found.seq < (after?.seq ?? Infinity)) after = { seq: found.seq, text: found.text }
    const skip = found.text.startsWith('skip,') ? parseLine(found.text, sets) : undefined
    if (skip?.kind === 'skip' && skip.from <= seq && seq <= skip.to) skips.push(skip)
  })
  if (!looked.ok) return looked
  const whole = places.find((found) => found.state === 'line')
  const read = whole && readFoundLine(whole.text, sets)
  const line = typeof read === 'object' ? read : undefined
  const delivery = await deliveryOf(store)
  return good({ seq, store, survey: surveyed, zone, sets, places, line, skips, before, after, delivery })
}

const mostRanges = 4096

async function deliveryOf({ folder, storeId, isArchive, others }: DeskStore): Promise<Delivery> {
  if (isArchive) return { known: false, why: 'archive' }
  if (!others.some((name) => name.startsWith('state.json'))) return { known: false, why: 'no-state' }
  const loaded = await stateFile(join(folder, 'state.json')).load()
  const state = (loaded.ok ? loaded.value : undefined) as { seq?: unknown; uplink?: unknown } | undefined
  if (typeof state?.seq !== 'number') return { known: false, why: 'no-state' }
  const uplink = (state.uplink ?? {}) as { storeId?: unknown; sent?: unknown; away?: unknown }
  const sent = RangeSet.parse(uplink.sent, mostRanges)
  const away = RangeSet.parse(uplink.away, mostRanges)
  const mine = uplink.storeId === storeId && sent && away
  return { known: true, upTo: state.seq, ...(mine ? { uplink: { sent, away } } : {}) }
}
