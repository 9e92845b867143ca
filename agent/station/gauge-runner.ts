import { believable } from '../power/power.js'
import { channelKinds, type Channel, type ChannelName, type Gauge, type MonoSeconds } from '../terms/terms.js'
import type { FaultBoard } from '../health/health.js'

/** A value and when it was read. */
export interface TimedValue {
  readonly value: number
  readonly at: MonoSeconds
}

/**
 * One gauge: asked once a minute, and its reading stands for that minute (battery and sun change slowly). A reading
 * that is missing or cannot be leaves the minute empty.
 */
export class GaugeRunner {
  /** Of the minute that runs; NaN where there is none. */
  private readonly values: Float64Array
  /** As last answered; NaN where there was no answer. */
  private readonly answered: Float64Array
  private readonly latest = new Map<string, TimedValue>()

  constructor(
    private readonly gauge: Gauge,
    readonly channels: readonly Channel[],
    private readonly faults: FaultBoard,
  ) {
    this.values = new Float64Array(channels.length).fill(NaN)
    this.answered = this.values.slice()
  }

  async ask(now: MonoSeconds): Promise<void> {
    const readings = await this.gauge.read()
    this.channels.forEach((channel, i) => {
      const reading = readings.find((r) => r.channel === channel.key)
      const value = reading ? believable(reading) : undefined
      this.values[i] = value?.ok ? value.value : NaN
      this.answered[i] = this.values[i]
      if (value?.ok) this.latest.set(channel.key, { value: value.value, at: now })
      const where = `${this.gauge.name} ${channel.key}`
      if (value?.ok) this.faults.clear(where, 'gauge-missing', 'gauge-absurd')
      else if (value) this.faults.raise(where, value.fault, now)
    })
  }

  /** Each channel as last answered; NaN where there was no answer. */
  newest(): Readonly<Record<string, number>> {
    return Object.fromEntries(this.channels.map((channel, i) => [channel.key, this.answered[i]]))
  }

  /** The last good value of a channel, however old; undefined where there never was one. */
  last(key: string): TimedValue | undefined {
    return this.latest.get(key)
  }

  /** Writes the minute's statistics in the order of the columns, and forgets the reading: it stands for one minute. */
  closeMinute(seconds: number, into: Float64Array, offset: number): void {
    let position = offset
    this.channels.forEach((channel, i) => {
      const value = this.values[i]
      for (const statistic of channelKinds[channel.name].statistics)
        into[position++] = statistic === 'used' ? (Number.isNaN(value) ? 0 : seconds) : value
    })
    this.values.fill(NaN)
  }
}

/** The channel of a gauge by its key: 'battery_voltage', 'humidity.outside'. */
export function gaugeChannel(key: string): Channel {
  const [name, slot] = key.split('.')
  return { key, name: name as ChannelName, ...(slot === undefined ? {} : { slot }), basis: 'measured' }
}
