/**
 * The channels: one quantity each, with unit, decimals of its stored mean, and which statistics a minute keeps of it.
 * A channel of which a station has two carries a slot: `pm2_5.1`, `humidity.outside`.
 */

export type ChannelName =
  | 'pm1'
  | 'pm2_5'
  | 'pm4'
  | 'pm10'
  | 'n0_3'
  | 'n0_5'
  | 'n1'
  | 'n2_5'
  | 'n4'
  | 'n5'
  | 'n10'
  | 'temperature'
  | 'humidity'
  | 'pressure'
  | 'sound'
  | 'wind_speed'
  | 'wind_from'
  | 'battery_voltage'
  | 'battery_current'
  | 'solar_power'
  | 'state_of_charge'

/** What a minute keeps of a channel. 'all' is the mean of every checksum-good reading, excluded ones too. */
export type Statistic = 'mean' | 'used' | 'max' | 'min' | 'sd' | 'all'

/** Which of a sensor's two mass outputs a value is; part of the channel, never mixed in one figure. */
export type Scaling = 'atmospheric' | 'standard-particle'

/** Measured by the instrument, or inferred by its maker's model (most PM10 of cheap optical sensors is). */
export type Basis = 'measured' | 'inferred'

export interface ChannelKind {
  readonly unit: string
  /** Unit as SenML names it (RFC 8428, RFC 8798 table 2 for the secondary ones). */
  readonly senmlUnit: string
  readonly decimals: number
  readonly statistics: readonly Statistic[]
  /** Values outside are impossible, not merely high. */
  readonly lowest: number
  readonly highest: number
}

const mass = {
  unit: 'ug/m3',
  senmlUnit: 'ug/m3',
  decimals: 2,
  statistics: ['mean', 'used', 'max', 'sd', 'all'],
  lowest: 0,
  highest: 10_000,
} as const
const count = {
  unit: '1/0.1L',
  senmlUnit: 'count',
  decimals: 1,
  statistics: ['mean', 'used'],
  lowest: 0,
  // Some sensors count to a few thousand per cm³, which is a few hundred thousand per 0.1 L.
  highest: 1_000_000,
} as const
const plain = ['mean', 'used'] as const

export const channelKinds: Readonly<Record<ChannelName, ChannelKind>> = {
  pm1: mass,
  pm2_5: mass,
  pm4: mass,
  pm10: mass,
  n0_3: count,
  n0_5: count,
  n1: count,
  n2_5: count,
  n4: count,
  n5: count,
  n10: count,
  temperature: { unit: 'C', senmlUnit: 'Cel', decimals: 2, statistics: plain, lowest: -60, highest: 90 },
  humidity: { unit: '%RH', senmlUnit: '%RH', decimals: 1, statistics: plain, lowest: 0, highest: 105 },
  pressure: { unit: 'hPa', senmlUnit: 'hPa', decimals: 1, statistics: plain, lowest: 300, highest: 1100 },
  sound: {
    unit: 'dB',
    senmlUnit: 'dB',
    decimals: 1,
    statistics: ['mean', 'used', 'max'],
    lowest: 0,
    highest: 160,
  },
  wind_speed: {
    unit: 'm/s',
    senmlUnit: 'm/s',
    decimals: 2,
    statistics: ['mean', 'used', 'max'],
    lowest: 0,
    highest: 100,
  },
  wind_from: { unit: 'deg', senmlUnit: 'deg', decimals: 0, statistics: plain, lowest: 0, highest: 360 },
  battery_voltage: {
    unit: 'V',
    senmlUnit: 'V',
    decimals: 3,
    statistics: ['mean', 'used', 'min'],
    lowest: 0.5,
    highest: 70,
  },
  battery_current: { unit: 'A', senmlUnit: 'A', decimals: 3, statistics: plain, lowest: -100, highest: 100 },
  solar_power: { unit: 'W', senmlUnit: 'W', decimals: 2, statistics: plain, lowest: -1, highest: 2000 },
  state_of_charge: { unit: '%', senmlUnit: '%EL', decimals: 1, statistics: plain, lowest: 0, highest: 100 },
}

export const channelNames = Object.keys(channelKinds) as ChannelName[]
export const massChannels: readonly ChannelName[] = ['pm1', 'pm2_5', 'pm4', 'pm10']

const withoutSlot = (key: string): string => {
  const dot = key.indexOf('.')
  return dot < 0 ? key : key.slice(0, dot)
}

/** True for a mass channel, with or without slot. */
export const isMass = (key: string): boolean => massChannels.includes(withoutSlot(key) as ChannelName)

const supplyChannels: readonly ChannelName[] = [
  'battery_voltage',
  'battery_current',
  'solar_power',
  'state_of_charge',
]

/** True for battery and sun, with or without slot: no reading of the air, and nobody's visit changes it. */
export const isSupply = (key: string): boolean => supplyChannels.includes(withoutSlot(key) as ChannelName)

const slotShape = /^[a-z0-9]{1,12}$/

export const isSlot = (text: string): boolean => slotShape.test(text)

/** 'pm2_5' and slot '1' make 'pm2_5.1'; no slot leaves the bare name. */
export const channelKey = (name: ChannelName, slot?: string): string =>
  slot === undefined ? name : `${name}.${slot}`

/** The kind behind a key with or without slot; undefined for a channel this release does not know. */
export function kindOf(key: string): ChannelKind | undefined {
  const dot = key.indexOf('.')
  const name = dot < 0 ? key : key.slice(0, dot)
  return Object.hasOwn(channelKinds, name) ? channelKinds[name as ChannelName] : undefined
}

/** A channel as an instrument gives it: the name plus what makes its figures comparable or not. */
export interface Channel {
  readonly key: string
  readonly name: ChannelName
  readonly slot?: string
  readonly scaling?: Scaling
  readonly basis: Basis
}
