/** The records of a store, placed in time, with what the site log says of each: what averages and exports are made of. */
import { usualScreening } from '../screening/screening.js'
import type { SiteStatus } from '../sitelog/sitelog.js'
import { boundedAt, middleOf, type BoundedTime, type LineView } from '../store/store.js'
import {
  addUtcSeconds,
  done,
  isMass,
  isSupply,
  monoSeconds,
  utcText,
  type ColumnSet,
  type Mark,
  type Outcome,
  type UtcMillis,
} from '../terms/terms.js'
import type { DeskStore } from './desk.js'
import { stretchLines, type Survey } from './desk-survey.js'

export interface DeskRecord {
  /** Of this record only until the next is given. */
  readonly view: LineView
  readonly set: ColumnSet
  readonly boot: string
  readonly seconds: number
  /** Start; undefined where no time check of its boot is known. */
  readonly utc: UtcMillis | undefined
  /** The record itself did not know its time, or a wrong one: a time check told it. */
  readonly corrected: boolean
  /** No time check of its boot is known: what the boots before and after it say. `utc` is their middle where that is enough. */
  readonly bound?: BoundedTime
}

/** Records without a time, of one boot. */
export interface Unplaced {
  /** Bounds of the start of the first of them, by the boots before and after. */
  readonly bound?: BoundedTime
  readonly boot: string
  readonly records: number
  readonly firstSeq: number
  readonly lastSeq: number
}

export class UnplacedCount {
  private readonly byBoot = new Map<
    string,
    { records: number; firstSeq: number; lastSeq: number; bound?: BoundedTime }
  >()

  add({ boot, view: { seq }, bound }: DeskRecord): void {
    const one = this.byBoot.get(boot)
    if (!one) this.byBoot.set(boot, { records: 1, firstSeq: seq, lastSeq: seq, bound })
    else {
      one.records++
      one.lastSeq = seq
    }
  }

  list(): Unplaced[] {
    return [...this.byBoot].map(([boot, one]) => ({ boot, ...one }))
  }
}

/**
 * Gives every record in the order of numbers, a stretch at a time.
 * @param pause waited for between stretches: whoever writes may let the reader of a pipe catch up
 */
export async function eachRecord(
  { reader }: DeskStore,
  survey: Survey,
  visit: (record: DeskRecord) => void,
  pause: (doneShare: number) => Promise<void> = async () => undefined,
): Promise<Outcome<void>> {
  for (const [i, from] of survey.stretches.entries()) {
    const options = { from, to: from + stretchLines - 1, kind: 'record', sound: survey.sound }
    const scanned = await reader.scan((view) => {
      const set = view.columnSet()
      if (set) visit(recordOf(view, set, survey))
    }, options)
    if (!scanned.ok) return scanned
    await pause((i + 1) / survey.stretches.length)
  }
  return done
}

function recordOf(view: LineView, set: ColumnSet, { times, bounds }: Survey): DeskRecord {
  const boot = view.boot()
  const own = view.utc()
  const isOwn = own !== undefined && !times.isWithdrawn(boot, view.seq)
  const utc = isOwn ? own : times.at(boot, monoSeconds(view.mono()))?.utc
  const seconds = view.seconds()
  if (utc !== undefined) return { view, set, boot, seconds, utc, corrected: !isOwn }
  const bound = boundedAt(bounds.get(boot) ?? {}, monoSeconds(view.mono()))
  return { view, set, boot, seconds, utc: middleOf(bound), corrected: false, bound }
}

/** 'between 2026-03-01T08:30:00Z and 2026-03-01T09:10:00Z', or what is known of it. */
export function boundText({ earliest, latest }: BoundedTime): string {
  if (earliest !== undefined && latest !== undefined)
    return `between ${utcText(earliest)} and ${utcText(latest)}`
  if (earliest !== undefined) return `not before ${utcText(earliest)}`
  return latest === undefined ? '' : `not after ${utcText(latest)}`
}

/** For people: how many, and when they can have been. */
export function unplacedText({ boot, records, firstSeq, lastSeq, bound = {} }: Unplaced): string {
  const known = boundText(bound)
  const when = known === '' ? '' : `; by the boots before and after, the first began ${known}`
  return `${records} records (numbers ${firstSeq} to ${lastSeq}, boot ${boot}) have no time: no time check of that boot is known${when}`
}

/** Channels that the site log treats alike: those of a slot, and apart from them those of the supply. */
export const concernOf = (channel: string): string =>
  isSupply(channel) ? `supply.${slotOf(channel) ?? ''}` : `air.${slotOf(channel) ?? ''}`

export const nameOf = (channel: string): string => channel.split('.')[0]
export const slotOf = (channel: string): string | undefined => channel.split('.')[1]

/** For what the site log says of slots: one channel of each, of the air rather than of the supply. */
export function oneOfEachSlot(channels: readonly string[]): string[] {
  const bySlot = new Map<string | undefined, string>()
  for (const channel of channels) {
    const held = bySlot.get(slotOf(channel))
    if (held === undefined || isSupply(held)) bySlot.set(slotOf(channel), channel)
  }
  return [...bySlot.values()]
}

/** Why a record is left out of a channel's figures although the record itself says that it counts. */
export type LeftOut = { readonly why: 'site-log' | 'outside' | 'straddles'; readonly words: string }

export interface Standing extends SiteStatus {
  readonly leftOut?: LeftOut
}

/** What the site log says of [utc, utc + seconds) for a channel. */
export function standingOf({ site }: Survey, channel: string, utc: UtcMillis, seconds: number): Standing {
  const end = addUtcSeconds(utc, seconds)
  const slot = slotOf(channel)
  const status = site.statusOver(utc, end, slot)
  const crossed = boundaryIn({ site }, utc, end, slot)
  if (crossed !== undefined) return { ...status, leftOut: { why: 'straddles', words: crossed } }
  if (site.deployments().length > 0 && !status.deployment)
    return {
      ...status,
      leftOut: { why: 'outside', words: 'outside a deployment (before set up, or after removed)' },
    }
  if (status.excluded === undefined || isSupply(channel)) return status
  return { ...status, leftOut: { why: 'site-log', words: status.excluded } }
}

/**
 * The same for records in the order of time, mostly: what the log says holds for days or months, and is asked for once.
 * For the channels of one concern.
 */
export class KeptStanding {
  private from = Infinity
  private to = -Infinity
  private standing: Standing = {}

  constructor(
    private readonly survey: Survey,
    private readonly channel: string,
  ) {}

  /** Of [utc, utc + seconds). */
  of(utc: UtcMillis, seconds: number): Standing {
    const end = addUtcSeconds(utc, seconds)
    if (utc >= this.from && end <= this.to) return this.standing
    const standing = standingOf(this.survey, this.channel, utc, seconds)
    const steady = this.survey.site.steadyAround(utc, slotOf(this.channel))
    if (steady && end <= steady[1]) {
      ;[this.from, this.to] = steady
      this.standing = standing
    }
    return standing
  }
}

/** A change of unit or place inside the record: its mean is of both, and belongs to neither. */
function boundaryIn(
  { site }: Pick<Survey, 'site'>,
  from: UtcMillis,
  to: UtcMillis,
  slot: string | undefined,
): string | undefined {
  const [first] = site
    .boundariesBetween(from, to)
    .filter((one) => one.slot === undefined || one.slot === slot || one.what !== 'unit')
  return first?.words
}

/** Warnings are of the particle sensors, with the slot of theirs. */
const isParticles = (channel: string): boolean => isMass(channel) || /^n\d/.test(channel)

/** @param marked the record's cell: 'spike.1=3.0;fog=60.0' */
export function isMarked(channel: string, marked: string, mark?: Mark): boolean {
  if (marked === '' || !isParticles(channel)) return false
  const slot = slotOf(channel)
  return marked.split(';').some((one) => {
    const [reason, reasonSlot] = one.split('=')[0].split('.')
    return reasonSlot === slot && (mark === undefined || reason === mark)
  })
}

/**
 * A mass went over the cap within the record: its mean, which counts the cap, then says 'at least'.
 * @param highest the record's maximum; where none is kept, the mark tells, for all masses of the sensor
 */
export function isOver(channel: string, highest: number | undefined, marked: string): boolean {
  if (!isMass(channel)) return false
  return highest === undefined ? isMarked(channel, marked, 'over-range') : isOverCap(highest)
}

/** @param highest a mass's maximum */
export const isOverCap = (highest: number): boolean => highest > usualScreening.capMicrogramsPerM3
