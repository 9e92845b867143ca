import { channelKey, massChannels, type Channel, type ChannelName, type Scaling } from '../terms/terms.js'
import type { Field, Layout, NumberType, Place } from './layout.js'
import { conversionOf } from './units.js'

/** Pairs of positions in the values of a reading: the first must not be above the second. */
export type OrderedPairs = readonly (readonly [lower: number, higher: number])[]

const codes: Readonly<Record<NumberType | 'f64be', number>> = {
  u8: 0,
  u16be: 1,
  u16le: 2,
  i16be: 3,
  i16le: 4,
  u32be: 5,
  f32be: 6,
  f32le: 7,
  f64be: 8,
}

function numberAt(view: DataView, at: number, code: number): number {
  switch (code) {
    case 1:
      return view.getUint16(at)
    case 0:
      return view.getUint8(at)
    case 2:
      return view.getUint16(at, true)
    case 3:
      return view.getInt16(at)
    case 4:
      return view.getInt16(at, true)
    case 5:
      return view.getUint32(at)
    case 6:
      return view.getFloat32(at)
    case 7:
      return view.getFloat32(at, true)
    default:
      return view.getFloat64(at)
  }
}

const countSizes: readonly ChannelName[] = ['n0_3', 'n0_5', 'n1', 'n2_5', 'n4', 'n5', 'n10']
export const isCount = (name: ChannelName): boolean => countSizes.includes(name)

/** Position of a size-bearing channel in its family; -1 for others. */
export function sizeRank(name: ChannelName): number {
  const mass = massChannels.indexOf(name)
  return mass >= 0 ? mass : countSizes.indexOf(name)
}

/** Two equal counts may differ by the last bit of a 32-bit float; that is not a count below zero. */
const floatError = 2 ** -22

/** Text fields stand one after the other as 64-bit numbers where the lines framing puts them. */
const placeOf = (field: Field, index: number): { at: number; code: number } =>
  field.place ? { at: field.place.at, code: codes[field.place.type] } : { at: 8 * index, code: codes.f64be }

/**
 * The fields of one layout in one scaling, compiled to flat arrays: reads a frame into the values without making anything.
 *
 * Counts 'up to' a size are turned into counts 'larger than', because a count channel has one meaning everywhere:
 * all - up to x = larger than x. What the largest class counts is everything, so it becomes the smallest size's channel.
 */
export class FieldReader {
  readonly channels: readonly Channel[]
  readonly values: Float64Array
  /** What must hold in a true reading: masses rise with size, counts larger than a size fall with it. */
  readonly sizeOrder: OrderedPairs
  private readonly at: Int32Array
  private readonly code: Int32Array
  private readonly times: Float64Array
  private readonly over: Float64Array
  private readonly plus: Float64Array
  private readonly firstCount: number
  private readonly lastCount: number
  private readonly extraAt: Int32Array
  private readonly extraCode: Int32Array
  /** Error, version and device of the last frame; NaN where the layout has none. */
  private readonly extra = new Float64Array(3).fill(NaN)

  constructor(layout: Layout, scaling: Scaling | undefined, slot: string | undefined) {
    const fields = layout.fields.map((field, index) => ({ field, ...placeOf(field, index) }))
    const used = fields.filter(({ field }) => field.scaling === undefined || field.scaling === scaling)
    const conversions = used.map(({ field }) => conversionOf(field.channel, field.unit)!)
    this.at = Int32Array.from(used, ({ at }) => at)
    this.code = Int32Array.from(used, ({ code }) => code)
    this.times = Float64Array.from(conversions, ({ times }) => times)
    this.over = Float64Array.from(conversions, ({ over }, i) => over * used[i].field.divisor)
    this.plus = Float64Array.from(conversions, ({ plus }, i) => plus * used[i].field.divisor)
    this.values = new Float64Array(used.length).fill(NaN)
    const counted = used.map(({ field }) => isCount(field.channel))
    const upTo = layout.counts?.rule === 'up-to'
    this.firstCount = upTo ? counted.indexOf(true) : 0
    this.lastCount = upTo ? counted.lastIndexOf(true) : 0
    this.channels = channelsOf(
      used.map(({ field }) => field),
      layout,
      slot,
    )
    this.sizeOrder = orderOf(this.channels)
    const extras = extrasOf(layout)
    this.extraAt = Int32Array.from(extras, ({ at }) => at)
    this.extraCode = Int32Array.from(extras, ({ code }) => code)
  }

  /** Fills `values` and the extras from the frame whose first byte is at `base`. */
  read(view: DataView, base: number): void {
    const { values, at, code, times, over, plus } = this
    for (let i = 0; i < values.length; i++)
      values[i] = ((numberAt(view, base + at[i], code[i]) + plus[i]) * times[i]) / over[i]
    if (this.lastCount > this.firstCount) this.turnUpToIntoLargerThan()
    for (let i = 0; i < 3; i++)
      if (this.extraAt[i] >= 0) this.extra[i] = numberAt(view, base + this.extraAt[i], this.extraCode[i])
  }

  /** Error code of the last frame; 0 where the layout has none. */
  get errorCode(): number {
    return this.extraAt[0] >= 0 ? this.extra[0] : 0
  }

  get version(): number {
    return this.extra[1]
  }

  get device(): number {
    return this.extra[2]
  }

  private turnUpToIntoLargerThan(): void {
    const { values, firstCount, lastCount } = this
    const all = values[lastCount]
    for (let i = lastCount; i > firstCount; i--) {
      const larger = all - values[i - 1]
      values[i] = larger < 0 && larger > -all * floatError ? 0 : larger
    }
    values[firstCount] = all
  }
}

const errorPlace = (layout: Layout): { at: number; code: number } => {
  if (!layout.error) return { at: -1, code: 0 }
  if ('group' in layout.error) return { at: 8 * layout.fields.length, code: codes.f64be }
  return { at: layout.error.at, code: codes[layout.error.type] }
}

function extrasOf(layout: Layout): { at: number; code: number }[] {
  const plain = (place?: Place): { at: number; code: number } =>
    place ? { at: place.at, code: codes[place.type] } : { at: -1, code: 0 }
  return [errorPlace(layout), plain(layout.version), plain(layout.device)]
}

function channelsOf(fields: readonly Field[], layout: Layout, slot: string | undefined): Channel[] {
  const named = fields.map(({ channel: name, scaling, basis }) => ({ name, scaling, basis }))
  if (layout.counts?.rule === 'up-to') {
    const counts = named.filter(({ name }) => isCount(name))
    const first = named.indexOf(counts[0])
    const all = { ...counts[0], name: layout.counts.from }
    named.splice(first, counts.length, all, ...counts.slice(0, -1))
  }
  return named.map(({ name, scaling, basis }) => ({
    key: channelKey(name, slot),
    name,
    ...(slot === undefined ? {} : { slot }),
    ...(scaling === undefined ? {} : { scaling }),
    basis,
  }))
}

function orderOf(channels: readonly Channel[]): OrderedPairs {
  const places = channels.map((channel, index) => ({ name: channel.name, index }))
  const masses = places.filter(({ name }) => massChannels.includes(name))
  const counts = places.filter(({ name }) => isCount(name))
  const steps = (run: typeof places): [number, number][] =>
    run.slice(1).map((p, i) => [run[i].index, p.index])
  return [...steps(masses), ...steps(counts).map(([larger, smaller]): [number, number] => [smaller, larger])]
}
