import { channelKinds, type ChannelName } from '../terms/terms.js'

/** Value in the channel's unit = (given + plus) x times / over. Multiplying and dividing apart keeps tenths exact. */
export interface Conversion {
  readonly times: number
  readonly over: number
  readonly plus: number
}

const by = (times: number, over = 1, plus = 0): Conversion => ({ times, over, plus })

/** By the unit of the channel: the units an instrument may give it in. Exact by definition. */
const conversions: Readonly<Record<string, Readonly<Record<string, Conversion>>>> = {
  'ug/m3': { 'mg/m3': by(1000) },
  '1/0.1L': { '1/cm3': by(100), '1/L': by(1, 10), '1/m3': by(1, 10_000), '1/ft3': by(1, 283.16846592) },
  C: { K: by(1, 1, -273.15), F: by(5, 9, -32) },
  hPa: { Pa: by(1, 100), kPa: by(10), mbar: by(1) },
  'm/s': { 'km/h': by(1, 3.6), kn: by(1852, 3600), mph: by(0.44704) },
  V: { mV: by(1, 1000) },
  A: { mA: by(1, 1000) },
  W: { mW: by(1, 1000) },
}

/** Units in which a channel may be given, its own first. */
export function unitsOf(channel: ChannelName): string[] {
  const own = channelKinds[channel].unit
  return [own, ...Object.keys(conversions[own] ?? {})]
}

/** How a given unit becomes the channel's own; undefined for a unit that is none of it. */
export function conversionOf(channel: ChannelName, unit: string): Conversion | undefined {
  const own = channelKinds[channel].unit
  if (unit === own) return by(1)
  const others = conversions[own] ?? {}
  return Object.hasOwn(others, unit) ? others[unit] : undefined
}
