import { createDecoder, readingBytes, type Layout } from '../../agent/instruments/instruments.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { usualScreening } from '../../agent/screening/screening.js'
import { liveUntil } from '../../agent/simulation/driver.js'
import { plausibleFrame, writeFrame, frameBytes } from '../../agent/simulation/frames.js'
import type { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import {
  gaugeChannel,
  reservedNumbers,
  Station,
  usualSilence,
  type StationOptions,
  type StationPorts,
} from '../../agent/station/station.js'
import { openStore, type Store, type StoreOptions } from '../../agent/store/store.js'
import {
  bad,
  done,
  good,
  utcMillis,
  type ByteLine,
  type Gauge,
  type GaugeReading,
  type Line,
  type LineFactory,
  type Outcome,
  type RecordLine,
} from '../../agent/terms/terms.js'

/** A whole station on fakes, for tests that live through hours in milliseconds. */

export const startUtc = Date.UTC(2026, 2, 1)

/** A sensor whose frames come at told times: `frameAt(n)` is when the n-th leaves it, `pm2_5` what it says then. */
export class ToldSensor implements LineFactory {
  readonly name = 'told sensor'
  readonly written: { readonly at: number; readonly hex: string }[] = []
  opened = 0
  /** Nothing leaves it while this is true. */
  dumb = false
  gone = false
  private next = 0
  private asked = 0

  constructor(
    private readonly clock: VirtualClock,
    private readonly told: {
      /** Absent: one frame a second. */
      readonly frameAt?: (n: number) => number
      readonly pm2_5: (at: number) => number
      /** What goes out in place of the usual frame. */
      readonly bytes?: (at: number, n: number) => Uint8Array
      /** One frame for each command, and no other. */
      readonly onlyWhenAsked?: boolean
    },
  ) {}

  open(): Promise<Outcome<ByteLine>> {
    if (this.gone) return Promise.resolve(bad('port-missing', this.name))
    this.opened++
    this.catchUp()
    return Promise.resolve(
      good({
        readAvailable: () => (this.gone ? 'gone' : this.read()),
        write: (bytes) => {
          this.asked++
          this.written.push({ at: this.clock.mono(), hex: Buffer.from(bytes).toString('hex') })
          return Promise.resolve(done)
        },
        close: () => Promise.resolve(),
      }),
    )
  }

  private timeOf(n: number): number {
    return this.told.frameAt ? this.told.frameAt(n) : n
  }

  /** What was sent while nobody had the port open is lost. */
  private catchUp(): void {
    while (this.timeOf(this.next) <= this.clock.mono()) this.next++
  }

  private read(): Uint8Array | 'nothing' {
    const frames: Uint8Array[] = []
    if (this.told.onlyWhenAsked) return this.answers()
    for (; this.timeOf(this.next) <= this.clock.mono(); this.next++)
      if (!this.dumb) frames.push(this.frame(this.timeOf(this.next), this.next))
    return frames.length === 0 ? 'nothing' : Uint8Array.from(Buffer.concat(frames))
  }

  private answers(): Uint8Array | 'nothing' {
    const frames: Uint8Array[] = []
    for (; this.asked > 0; this.asked--) frames.push(this.frame(this.clock.mono(), this.next++))
    return frames.length === 0 ? 'nothing' : Uint8Array.from(Buffer.concat(frames))
  }

  private frame(at: number, n: number): Uint8Array {
    if (this.told.bytes) return this.told.bytes(at, n)
    const bytes = new Uint8Array(frameBytes)
    const content = plausibleFrame(this.told.pm2_5(at), 1.5)
    // The last count trembles, as in real air.
    const counts = content.counts.map((count, i) => count + (i === 0 ? n % 3 : 0))
    writeFrame(bytes, 0, { ...content, counts: counts as unknown as typeof content.counts })
    return bytes
  }
}

/** A gauge that says what it is told; a channel left out fails as missing. */
export class ToldGauge implements Gauge {
  readonly name = 'told gauge'
  readonly values: Record<string, number | undefined>
  /** Its reads never end. */
  hangs = false

  constructor(values: Record<string, number | undefined>) {
    this.values = values
  }

  read(): Promise<readonly GaugeReading[]> {
    const readings = Object.entries(this.values).map(([channel, value]) => ({
      channel,
      value: value === undefined ? bad('gauge-missing', `${channel} of the told gauge`) : good(value),
    }))
    return Promise.resolve(this.hangs ? [] : readings)
  }
}

export interface RigInstrument {
  readonly sensor: LineFactory
  readonly options?: Partial<StationPorts['instruments'][number]['options']>
  readonly power?: StationPorts['instruments'][number]['power']
  readonly layout?: string
}

export interface RigOptions {
  readonly instruments: readonly RigInstrument[]
  readonly gauge?: ToldGauge
  readonly supply?: StationPorts['supply']
  readonly timeLines?: StationPorts['timeLines']
  readonly options?: Partial<StationOptions>
  /** Absent: nothing is kept beside the lines. */
  readonly state?: StationPorts['state']
  /** Further ports, made with the store. */
  readonly ports?: (store: Store) => Partial<StationPorts>
  readonly storeOptions?: Partial<StoreOptions>
}

export const newClock = (bootId = 'b0070001-0000-4000-8000-000000000001', utc = startUtc): VirtualClock =>
  new VirtualClock({ bootId, mono: 0, utc: utcMillis(utc), source: 'ntp' })

export interface Rig {
  readonly station: Station
  readonly store: Store
  readonly clock: VirtualClock
  readonly told: string[]
  live(until: number): Promise<void>
  lines(): Promise<Line[]>
  records(): Promise<RecordLine[]>
  /** Value of a statistic in a record. */
  value(record: RecordLine, channel: string, statistic: string): number
  health(): Record<string, unknown>
  codes(): string[]
}

const layoutOf = (name: string): Layout => {
  const layout = loadLayout(name)
  if (!layout.ok) throw new Error(layout.fault.detail)
  return layout.value
}

function instrumentPort(instrument: RigInstrument): StationPorts['instruments'][number] {
  const layout = layoutOf(instrument.layout ?? 'frames-424d-32')
  const { options = {} } = instrument
  return {
    options: {
      ...usualSilence,
      name: 'sensor',
      screening: usualScreening,
      frameBytes: layout.framing.kind === 'lines' ? 0 : readingBytes(layout),
      ...options,
    },
    lines: instrument.sensor,
    makeDecoder: (sink) =>
      createDecoder(layout, {
        sink,
        slot: options.slot,
        scaling: layout.scaling,
      }),
    power: instrument.power,
  }
}

export async function startRig(clock: VirtualClock, disk: MemoryDisk, rig: RigOptions): Promise<Rig> {
  const opened = await openStore({
    disk,
    newStoreId: () => '5'.repeat(8) + '-5555-4555-8555-555555555555',
    station: 'rig',
    ...(rig.state ? await reservedNumbers(rig.state) : {}),
    ...rig.storeOptions,
  })
  if (!opened.ok) throw new Error(opened.fault.detail)
  const store = opened.value
  const told: string[] = []
  const say = (words: string): void => void told.push(words)
  const station = await Station.start(
    {
      station: 'rig',
      group: 'rig',
      readEverySeconds: 1,
      recordSeconds: 60,
      flushEverySeconds: 60,
      healthEverySeconds: 3600,
      rules: [],
      notBefore: utcMillis(Date.UTC(2026, 0, 1)),
      startDetails: {},
      ...rig.options,
    },
    {
      clock,
      store,
      state: rig.state ?? { load: () => Promise.resolve(good(undefined)), save: () => Promise.resolve(done) },
      scheduler: { calendar: () => ({ stop: () => undefined }) },
      log: { info: say, warn: say },
      instruments: rig.instruments.map(instrumentPort),
      supply: rig.supply,
      timeLines: rig.timeLines,
      gauges: rig.gauge
        ? [{ gauge: rig.gauge, channels: Object.keys(rig.gauge.values).map(gaugeChannel) }]
        : [],
      ...rig.ports?.(store),
    },
  )
  const lines = async (): Promise<Line[]> => {
    await store.flush()
    const newest = await store.newest(10_000)
    if (!newest.ok) throw new Error(newest.fault.detail)
    return newest.value.map(({ line }) => line)
  }
  const records = async () => (await lines()).filter((line): line is RecordLine => line.kind === 'record')
  return {
    station,
    store,
    clock,
    told,
    live: (until) => liveUntil(station, clock, until),
    lines,
    records,
    value: (record, channel, statistic) => {
      const columns = store.columnSet(record.set)!.columns
      return record.values[columns.findIndex((c) => c.channel === channel && c.statistic === statistic)]
    },
    health: () => station.health(clock.mono()),
    codes: () => station.faults.list().map((fault) => fault.code),
  }
}
