/** Made store lines: noisy minute records of a twelve-channel station, with the other kinds between them. */
import {
  canonicalLine,
  channelKinds,
  columnSet,
  kindOf,
  monoSeconds,
  parseLine,
  utcMillis,
  type Channel,
  type ChannelName,
  type Column,
  type ColumnSet,
  type Line,
} from '../../agent/terms/terms.js'
import { columnsOf } from '../../agent/minutes/minutes.js'

const names: ChannelName[] = ['pm1', 'pm2_5', 'pm10', 'n0_3', 'n0_5', 'n1', 'n2_5', 'n5', 'n10']
const gauges: ChannelName[] = ['battery_voltage', 'battery_current', 'solar_power']

export const madeChannels: Channel[] = [...names, ...gauges].map((name) => ({
  key: name,
  name,
  ...(name.startsWith('pm') ? { scaling: 'atmospheric' as const } : {}),
  basis: name === 'pm10' ? 'inferred' : 'measured',
}))
export const madeSet: ColumnSet = columnSet(columnsOf(madeChannels))
export const madeBoot = '0a1b2c3d'
export const madeStart = Date.UTC(2026, 2, 1)

/** Uniform in [0, 1), repeatable (a 32-bit mixing generator). */
export function repeatable(seed: number): () => number {
  let state = seed >>> 0
  return () => {
    state = (state + 0x6d2b79f5) | 0
    let t = Math.imul(state ^ (state >>> 15), 1 | state)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32
  }
}

export const gauss = (next: () => number): number =>
  Math.sqrt(-2 * Math.log(1 - next())) * Math.cos(2 * Math.PI * next())

export interface MadeLine {
  readonly line: Line
  readonly text: string
}

/** The line as a store would give it back: read from its own canonical text. */
export function asStored(line: Line, sets: readonly ColumnSet[] = [madeSet]): MadeLine {
  const text = canonicalLine(
    line,
    line.kind === 'record' ? sets.find((set) => set.id === line.set) : undefined,
  )
  const parsed = parseLine(text, new Map(sets.map((set) => [set.id, set])))
  if (!parsed) throw new Error(`made a line that is not canonical: ${text}`)
  return { line: parsed, text }
}

const typical: Partial<Record<ChannelName, number>> = {
  n0_3: 190,
  n0_5: 55,
  n1: 9,
  n2_5: 0.8,
  n5: 0.1,
  n10: 0.03,
}

/** What one second's integer readings of a channel look like at a given level of fine dust. */
function reading(name: ChannelName, level: number, next: () => number): number {
  const noise = gauss(next)
  if (name === 'pm1') return level * 0.65 * (1 + 0.05 * noise)
  if (name === 'pm2_5') return level * (1 + 0.05 * noise)
  if (name === 'pm10') return level * 1.1 + Math.abs(1.5 * noise)
  return level * (typical[name] ?? 1) * (1 + 0.05 * noise) + 0.5 * noise
}

interface Figures {
  mean: number
  max: number
  min: number
  sd: number
}

function figuresOf(values: readonly number[]): Figures {
  const mean = values.reduce((a, b) => a + b, 0) / values.length
  const sd = Math.sqrt(values.reduce((sum, v) => sum + (v - mean) ** 2, 0) / (values.length - 1))
  return { mean, sd, max: Math.max(...values), min: Math.min(...values) }
}

/** Two-point temperature of the day: what the sun gives a 20 W panel, minute by minute. */
const sunWatts = (minute: number): number =>
  Math.max(0, 20 * Math.sin(((minute % 1440) / 720 - 0.5) * Math.PI))

function gaugeValue(name: ChannelName, minute: number, next: () => number): number {
  const sun = sunWatts(minute) * (0.8 + 0.1 * gauss(next))
  if (name === 'solar_power') return Math.max(0, sun)
  if (name === 'battery_current') return sun / 13 - 0.15 + 0.004 * gauss(next)
  return 13.1 + 0.3 * Math.sin((minute / 720 - 1) * Math.PI) + 0.004 * gauss(next)
}

export class MadeStation {
  private level = Math.log(14)
  private fast = 0
  private readonly next: () => number

  constructor(seed: number) {
    this.next = repeatable(seed)
  }

  /** The record of one minute, stored. */
  record(seq: number, minute: number, options: { untrusted?: boolean; boot?: string } = {}): MadeLine {
    const used = this.next() < 0.02 ? 58 : 60
    const figures = this.minute(minute)
    const values = madeSet.columns.map((column) => valueOf(column, figures, used))
    const utc = options.untrusted ? undefined : utcMillis(madeStart + minute * 60_000)
    return asStored({
      kind: 'record',
      seq,
      set: madeSet.id,
      boot: options.boot ?? madeBoot,
      mono: monoSeconds(50_000.37 + minute * 60),
      seconds: 60,
      planned: 60,
      utc,
      values,
      excluded: used < 60 ? { 'no-data': 2 } : {},
      marked: this.next() < 0.02 ? { spike: 2 } : {},
    })
  }

  private minute(minute: number): Map<ChannelName, Figures> {
    this.level += -0.003 * (this.level - Math.log(14)) + 0.03 * gauss(this.next)
    const readings = new Map<ChannelName, number[]>(names.map((name) => [name, []]))
    for (let second = 0; second < 60; second++) {
      this.fast = 0.9 * this.fast + 0.04 * gauss(this.next)
      const now = Math.exp(this.level + this.fast)
      for (const name of names)
        readings.get(name)!.push(Math.max(0, Math.round(reading(name, now, this.next))))
    }
    const figures = new Map([...readings].map(([name, values]) => [name, figuresOf(values)]))
    for (const name of gauges) {
      const value = gaugeValue(name, minute, this.next)
      figures.set(name, { mean: value, max: value, min: value - 0.003, sd: 0 })
    }
    return figures
  }
}

function valueOf(column: Column, figures: ReadonlyMap<ChannelName, Figures>, used: number): number {
  const { mean, max, min, sd } = figures.get(column.channel as ChannelName)!
  const all = used < 60 ? mean + 0.3 : mean
  return { mean, max, min, sd, used, all }[column.statistic]
}

/** Units of the made channels as SenML has them, for checks that do not use the packer's own table. */
export const senmlUnitOf = (column: Column): string =>
  column.statistic === 'used' ? 's' : (kindOf(column.channel)?.senmlUnit ?? channelKinds.pm1.senmlUnit)

/** A day as a store holds it: start, time check, records, and an hourly line of a kind that is not known. */
export function madeDay(seed: number, minutes = 1440): MadeLine[] {
  const station = new MadeStation(seed)
  const lines: MadeLine[] = [
    asStored({
      kind: 'event',
      seq: 1,
      boot: madeBoot,
      mono: monoSeconds(50_000.2),
      name: 'started',
      details: { session: '1', version: '0.1.0' },
    }),
    asStored({
      kind: 'anchor',
      seq: 2,
      boot: madeBoot,
      mono: monoSeconds(50_000.37),
      utc: utcMillis(madeStart),
      source: 'ntp',
      errorSeconds: 0.5,
    }),
  ]
  for (let minute = 0; minute < minutes; minute++) {
    lines.push(station.record(lines.length + 1, minute))
    if (minute % 60 === 59) lines.push(madeSeal(lines.length + 1, seed + minute))
  }
  return lines
}

/** As long as a seal line with two hashes and a signature, which do not compress. */
function madeSeal(seq: number, seed: number): MadeLine {
  const next = repeatable(seed)
  const hex = (length: number): string =>
    Array.from({ length }, () => Math.floor(next() * 16).toString(16)).join('')
  const text = `seal,${seq},${Math.max(1, seq - 60)},${seq - 1},60,${hex(64)},${hex(64)}`
  return { line: { kind: 'other', seq, text }, text }
}
