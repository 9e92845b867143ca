import type { Screen } from '../screening/screening.js'
import {
  channelKinds,
  exclusions,
  markBit,
  marks,
  numberText,
  type Channel,
  type Exclusion,
  type MonoSeconds,
} from '../terms/terms.js'

/** The newest reading of an instrument, as somebody beside it wants to see it. */
export interface LiveReading {
  readonly instrument: string
  readonly slot?: string
  /** Absent: none came yet. */
  readonly age_s?: number
  readonly values: readonly { readonly channel: string; readonly value: number; readonly unit: string }[]
  /** Why it does not count; absent when it does. */
  readonly excluded?: Exclusion
  /** Until readings count again, at least and at most, where that is known. */
  readonly counts_again_in_s?: readonly [number, number]
  readonly marked: readonly string[]
}

export interface Newest {
  readonly name: string
  readonly slot?: string
  readonly channels: readonly Channel[]
  readonly screen: Screen
  /** In the order of the channels; absent: no frame came yet. */
  readonly values?: Float64Array
  readonly ageSeconds: number
}

/** A reading stands for no longer than this; then there is no data. */
const oldAfterSeconds = 10

export function liveReading(newest: Newest, now: MonoSeconds): LiveReading {
  const { name, slot, values, screen, ageSeconds } = newest
  const base = { instrument: name, ...(slot === undefined ? {} : { slot }) }
  if (!values) return { ...base, values: [], excluded: 'no-data', marked: [] }
  const excluded = ageSeconds > oldAfterSeconds ? 'no-data' : exclusions[screen.exclusion - 1]
  const left = excluded === 'warm-up' ? screen.warmUpLeft(now) : undefined
  return {
    ...base,
    age_s: Math.max(0, Math.round(ageSeconds * 10) / 10),
    values: newest.channels.map((channel, i) => valueOf(channel, values[i])),
    ...(excluded === undefined ? {} : { excluded }),
    ...(left ? { counts_again_in_s: [Math.ceil(left.atLeast), Math.ceil(left.atMost)] } : {}),
    marked: excluded === undefined ? marks.filter((mark) => screen.marks & markBit(mark)) : [],
  }
}

function valueOf({ key, name }: Channel, value: number): LiveReading['values'][number] {
  const { unit, decimals } = channelKinds[name]
  return { channel: key, value: Number(numberText(value, decimals)), unit }
}
