/**
 * station: the composition root of one site. It wires the stages in the order of the data and owns the loop.
 *
 * In: ports (clock, lines, gauges, disk behind the store, broker behind the uplink) and options.
 * Out: minute records in the store, averages, alerts and health as retained messages, packs through the uplink.
 * Assumed: `tick` is called about once a read period and at `nextTickAt`; it never waits. Work that does is tracked, and
 * `settled` resolves when none is in flight, so that virtual time can stand still meanwhile.
 * Refused: nothing stops the loop. A part that fails is told in health and tried again; the others go on.
 */
import { Alert, alertWord, type AlertRule } from '../alerts/alerts.js'
import { ChannelAverages } from '../averages/averages.js'
import { StationClock, usualClock } from '../clock/clock.js'
import { FaultBoard } from '../health/health.js'
import { columnsOf } from '../minutes/minutes.js'
import type { Store } from '../store/store.js'
import {
  addSeconds,
  bootWord,
  columnSet,
  faultCatalogue,
  faultText,
  InFlight,
  isMass,
  kindOf,
  monoSeconds,
  utcText,
  type Channel,
  type Clock,
  type ColumnSet,
  type Gauge,
  type LineFactory,
  type Log,
  type MonoSeconds,
  type PowerSwitch,
  type Scheduler,
  type StateFile,
  type SupplySign,
  type UtcMillis,
} from '../terms/terms.js'
import type { Uplink, UplinkPorts } from '../uplink/uplink.js'
import type { Decoder, ReadingSink } from '../instruments/instruments.js'
import { whatWasBefore } from './before.js'
import { GaugeRunner } from './gauge-runner.js'
import { InstrumentRunner, type InstrumentOptions } from './instrument-runner.js'
import { alertDetails, alertJson, averageJson, json } from './messages.js'
import { PairWatch } from './pair-watch.js'
import {
  isOverRange,
  readCheckpoint,
  restoreAlerts,
  restoreAverages,
  type Checkpoint,
  type LastChange,
} from './restart.js'
import { SurroundingsWatch } from './surroundings-watch.js'

export interface StationOptions {
  readonly station: string
  readonly group: string
  readonly readEverySeconds: number
  /** Length of a record: 60; shorter only for trials. */
  readonly recordSeconds: number
  readonly flushEverySeconds: number
  readonly healthEverySeconds: number
  readonly rules: readonly AlertRule[]
  /** Nothing earlier is a possible present. */
  readonly notBefore: UtcMillis
  /** For the event line of a start: settings without secrets, version. */
  readonly startDetails: Readonly<Record<string, string>>
}

export interface StationPorts {
  readonly clock: Clock
  readonly store: Store
  readonly state: StateFile
  /** Made with a way to tell its faults; absent: everything stays here. */
  readonly makeUplink?: (faults: UplinkPorts['faults']) => Uplink
  readonly scheduler: Scheduler
  readonly log: Log
  readonly instruments: readonly {
    readonly options: InstrumentOptions
    readonly lines: LineFactory
    readonly makeDecoder: (sink: ReadingSink) => Decoder
    /** What cycles its supply; absent: nothing can. */
    readonly power?: PowerSwitch
  }[]
  /** What tells a low supply of the board; absent: nothing does. */
  readonly supply?: SupplySign
  readonly gauges: readonly { readonly gauge: Gauge; readonly channels: readonly Channel[] }[]
}

export { gaugeChannel } from './gauge-runner.js'
export { usualSilence } from './instrument-runner.js'

/** A wake-up later than this is a pause of the process or the board, told once. */
const pauseSeconds = 10
const checkpointEverySeconds = 3600

export class Station {
  readonly faults: FaultBoard
  readonly alerts: readonly Alert[]
  private readonly boot: string
  private readonly clock: StationClock
  private readonly instruments: readonly InstrumentRunner[]
  private readonly gauges: readonly GaugeRunner[]
  private readonly surroundings: SurroundingsWatch
  private readonly pairs: PairWatch
  private readonly set: ColumnSet
  /** Columns of each instrument, then of each gauge. */
  private readonly widths: readonly number[]
  private readonly uplink: Uplink | undefined
  private readonly averages = new Map<string, { averages: ChannelAverages; meanAt: number }>()
  private readonly inFlight = new InFlight()
  private readonly lastChange = new Map<string, LastChange>()
  private recordStart: MonoSeconds
  private edge: MonoSeconds
  private tickedAt: MonoSeconds
  private flushedAt: MonoSeconds
  private flushWanted = false
  private untold: Alert[] = []
  private flushing = false
  private savedAt: MonoSeconds
  private healthAt: MonoSeconds
  private calendar: { stop(): void } | undefined
  private session = 0
  private records = 0
  private stopped = false

  private constructor(
    private readonly options: StationOptions,
    private readonly ports: StationPorts,
  ) {
    const now = ports.clock.mono()
    this.boot = bootWord(ports.clock.bootId)
    this.faults = new FaultBoard(({ fault, stands }) => {
      const details = { code: fault.code, detail: fault.detail }
      if (!stands) ports.log.info(`over: ${faultCatalogue[fault.code].words}`, details)
      else if (faultCatalogue[fault.code].severity === 'note') ports.log.info(faultText(fault), details)
      else ports.log.warn(faultText(fault), details)
      this.healthAt = this.ports.clock.mono()
    })
    this.uplink = ports.makeUplink?.({
      raise: (fault) => this.faults.raise('uplink', fault, this.ports.clock.mono()),
      clear: (...codes) => this.faults.clear('uplink', ...codes),
    })
    this.clock = new StationClock({ ...usualClock, notBefore: options.notBefore })
    this.instruments = ports.instruments.map(
      ({ options: o, lines, makeDecoder, power }) =>
        new InstrumentRunner(o, lines, makeDecoder, this.faults, (w) => this.inFlight.track(w), now, {
          power,
          tell: (name, details) => this.event(this.ports.clock.mono(), name, details),
          temperatureC: (at) => this.surroundings.temperatureC(at),
        }),
    )
    this.gauges = ports.gauges.map(({ gauge, channels }) => new GaugeRunner(gauge, channels, this.faults))
    const screens = this.instruments.map((instrument) => instrument.screen)
    this.surroundings = new SurroundingsWatch(this.gauges, screens, ports.supply, this.faults)
    const columns = [...this.instruments, ...this.gauges].map((part) => columnsOf(part.channels))
    this.widths = columns.map((ofPart) => ofPart.length)
    this.set = columnSet(columns.flat())
    const boxed = this.instruments.map(({ channels }, i) => ({
      channels,
      box: ports.instruments[i].options.box,
    }))
    this.pairs = new PairWatch(boxed, this.set, this.faults)
    for (const part of this.instruments)
      for (const { key } of part.channels)
        this.averages.set(key, {
          averages: new ChannelAverages(),
          meanAt: this.set.columns.findIndex((c) => c.channel === key && c.statistic === 'mean'),
        })
    this.alerts = options.rules.map((rule) => new Alert(rule))
    this.recordStart = now
    this.tickedAt = now
    this.flushedAt = now
    this.savedAt = now
    this.healthAt = addSeconds(now, 60)
    this.edge = addSeconds(now, options.recordSeconds)
  }

  /** Restores what the store and the checkpoint know, writes the start down, and begins the first record. */
  static async start(options: StationOptions, ports: StationPorts): Promise<Station> {
    const station = new Station(options, ports)
    await station.restore()
    station.begin()
    await station.settled()
    return station
  }

  private async restore(): Promise<void> {
    const { state, store, log } = this.ports
    const loaded = await state.load()
    if (!loaded.ok) log.warn(faultText(loaded.fault), { code: loaded.fault.code })
    const checkpoint = readCheckpoint(loaded.ok ? loaded.value : undefined)
    const found = await restoreAlerts(store, checkpoint, this.alerts)
    for (const [rule, change] of found.changes) this.lastChange.set(rule, change)
    this.session = found.newestSession + 1
    this.uplink?.restore(checkpoint.uplink, this.session)
    await this.restoreInstruments()
    if (store.recovered.damaged > 0)
      this.faults.raise(
        'store',
        { code: 'store-damaged', detail: `${store.recovered.damaged} lines` },
        this.tickedAt,
      )
  }

  private begin(): void {
    const now = this.ports.clock.mono()
    this.event(now, 'started', { session: String(this.session), ...this.options.startDetails })
    this.lookAtClock(now)
    this.recordStart = now
    this.edge = addSeconds(now, this.clock.secondsToEdge(now, this.options.recordSeconds))
    this.tickedAt = now
    this.flush(now)
    this.askGauges(now)
    this.publishState(now)
    if (!this.clock.trusted) this.inFlight.track(this.rebuildAverages(now))
  }

  private async restoreInstruments(): Promise<void> {
    const { clock, store, instruments } = this.ports
    const { at, source } = clock.utc()
    const utc = source !== undefined && at >= this.options.notBefore ? at : undefined
    const sought = instruments.map(({ options: { name, slot, clean } }) => ({
      name,
      slot,
      cleanEverySeconds: clean?.everySeconds,
    }))
    const before = await whatWasBefore(store, { boot: this.boot, now: clock.mono(), utc }, sought)
    this.instruments.forEach((instrument, i) => instrument.restore(before[i]))
  }

  /** Records of earlier runs, and of earlier boots once UTC is known, go in front of what this run has measured. */
  private async rebuildAverages(now: MonoSeconds): Promise<void> {
    const utc = this.clock.at(now)
    const older = new Map([...this.averages.keys()].map((key) => [key, new ChannelAverages()]))
    const anchor = utc === undefined ? undefined : { mono: now, utc }
    await restoreAverages(this.ports.store, this.set, this.boot, anchor, (key) => older.get(key))
    for (const [key, { averages }] of this.averages) averages.prepend(older.get(key)!)
  }

  /** When the next tick is due: a read period from the last, or the record's edge if that is sooner. */
  get nextTickAt(): MonoSeconds {
    const next = addSeconds(this.tickedAt, this.options.readEverySeconds)
    return next < this.edge ? next : this.edge
  }

  /** One pull of every instrument; at the record's edge, everything that follows from a finished minute. */
  tick(): void {
    const now = this.ports.clock.mono()
    if (now - this.tickedAt > this.options.readEverySeconds + pauseSeconds) this.notePause(now)
    const atEdge = now >= this.edge - 0.005
    for (const instrument of this.instruments) instrument.pull(now, atEdge)
    this.tickedAt = now
    if (atEdge) this.closeRecord(this.edge, now)
    if (now >= this.healthAt) this.publishState(now)
  }

  /** True while something is on its way to the disk, the broker or a device. */
  get busy(): boolean {
    return this.inFlight.any || this.uplink?.busy === true
  }

  get name(): string {
    return this.options.station
  }

  /** Everything up to this number is on the collector's disk, by its receipt. */
  get safeAway(): number {
    return this.uplink?.status(this.ports.clock.mono()).safe_away ?? 0
  }

  /** Makes everything safe and lets it go without waiting for the next pack time. */
  sendNow(): void {
    const now = this.ports.clock.mono()
    this.flush(now)
    this.inFlight.track(this.inFlight.now().then(() => this.uplink?.hurry()))
  }

  get storeId(): string {
    return this.ports.store.storeId
  }

  async settled(): Promise<void> {
    while (this.busy) {
      await this.inFlight.settled()
      await this.uplink?.settled()
    }
  }

  private notePause(now: MonoSeconds): void {
    const seconds = Math.round(now - this.tickedAt)
    if (now > this.edge) {
      this.closeRecord(this.edge, now)
      this.recordStart = now
      for (const instrument of this.instruments) instrument.skipTo(now)
      this.edge = addSeconds(now, this.clock.secondsToEdge(now, this.options.recordSeconds))
    }
    this.event(now, 'paused', { seconds: String(seconds) })
  }

  // ---- a finished minute ----------------------------------------------------------------------------------------------

  private closeRecord(at: MonoSeconds, now: MonoSeconds): void {
    const seconds = at - this.recordStart
    if (seconds > 0.005) this.writeRecord(at, seconds)
    const turned = this.lookAtClock(now)
    // The clock became trusted or stepped: what has run since the edge is a record of its own, cut short.
    if (turned && now - at > 0.005) this.writeRecord(now, now - at)
    this.recordStart = turned && now - at > 0.005 ? now : at
    this.edge = addSeconds(
      this.recordStart,
      this.clock.secondsToEdge(this.recordStart, this.options.recordSeconds),
    )
    this.stepAlerts(at)
    this.askGauges(now)
    if (this.flushWanted || now - this.flushedAt >= this.options.flushEverySeconds) this.flush(now)
    if (now - this.savedAt >= checkpointEverySeconds) this.checkpoint(now)
    this.uplink?.step(now)
  }

  private writeRecord(at: MonoSeconds, seconds: number): void {
    const values = new Float64Array(this.set.columns.length)
    const excluded: Record<string, number> = {}
    const marked: Record<string, number> = {}
    const start = this.recordStart
    let offset = 0
    this.instruments.forEach((instrument, i) => {
      const result = instrument.closeMinute(at, seconds, values, offset)
      const slot = this.ports.instruments[i].options.slot
      for (const reason in result.excluded) excluded[withSlot(reason, slot)] = result.excluded[reason]
      for (const mark in result.marked) marked[withSlot(mark, slot)] = result.marked[mark]
      offset += this.widths[i]
    })
    this.gauges.forEach((gauge, i) => {
      gauge.closeMinute(seconds, values, offset)
      offset += this.widths[this.instruments.length + i]
    })
    const utc = this.clock.at(start)
    const line = {
      kind: 'record',
      set: this.set.id,
      boot: this.boot,
      mono: start,
      seconds,
      planned: seconds,
      utc,
    } as const
    this.ports.store.append((seq) => ({ ...line, seq, values, excluded, marked }), this.set)
    this.records++
    this.pairs.take(seconds, values, at)
    this.feedAverages(start, seconds, values)
  }

  private feedAverages(start: MonoSeconds, seconds: number, values: Float64Array): void {
    for (const { averages, meanAt } of this.averages.values())
      averages.add(
        start,
        seconds,
        seconds,
        values[meanAt + 1],
        values[meanAt],
        isOverRange(this.set, meanAt, values),
      )
  }

  private lookAtClock(now: MonoSeconds): boolean {
    const news = this.clock.look(now, this.ports.clock.utc())
    const { anchor } = news
    if (anchor) this.ports.store.append((seq) => ({ kind: 'anchor', seq, boot: this.boot, ...anchor }))
    if (this.clock.trusted && !this.clock.refusedTooEarly) this.faults.clear('clock', 'clock-untrusted')
    else this.faults.raise('clock', { code: 'clock-untrusted', detail: this.clockDetail() }, now)
    if (!news.turned) return false
    this.ports.log.info(`clock ${news.turned}`, { source: anchor?.source, step_s: news.stepSeconds })
    if (news.stepSeconds !== undefined)
      this.event(now, 'clock-step', { seconds: news.stepSeconds.toFixed(3) })
    if (news.turned === 'trusted') this.inFlight.track(this.rebuildAverages(now))
    this.rebuildCalendar()
    return true
  }

  private clockDetail(): string {
    return this.clock.refusedTooEarly
      ? 'the time offered is before this program was made'
      : 'no source vouches for it'
  }

  private stepAlerts(at: MonoSeconds): void {
    for (const alert of this.alerts) {
      const watched = this.averages.get(alert.rule.channel)
      if (!watched) continue
      const change = alert.step(watched.averages.mean(alert.rule.average, at), at)
      if (!change) continue
      const details = alertDetails(change, this.decimals(alert.rule.channel))
      this.lastChange.set(alert.rule.rule, { details, utc: this.clock.at(at) })
      this.event(at, 'alert', details)
      this.ports.log.warn(`alert ${alert.rule.rule}: ${alertWord(alert.rule, alert.state)}`, details)
      this.flushWanted = true
      this.savedAt = monoSeconds(-Infinity)
      this.untold.push(alert)
    }
  }

  /** Only after the line of the change was synced, or the disk was tried and failed. */
  private tellAlerts(): void {
    if (this.untold.length === 0) return
    for (const alert of this.untold) this.retainAlert(alert)
    this.untold = []
    this.retainAverages()
    this.uplink?.hurry()
  }

  // ---- disk -----------------------------------------------------------------------------------------------------------

  private event(mono: MonoSeconds, name: string, details: Readonly<Record<string, string>>): void {
    const utc = this.clock.at(mono)
    this.ports.store.append((seq) => ({ kind: 'event', seq, boot: this.boot, mono, utc, name, details }))
  }

  /** Starts a flush unless one runs; the next minute starts another. A failing disk is told and tried again. */
  private flush(now: MonoSeconds): void {
    if (this.flushing) return
    this.flushing = true
    this.flushWanted = false
    this.flushedAt = now
    this.inFlight.track(
      this.ports.store.flush().then((flushed) => {
        this.flushing = false
        const codes = ['disk-full', 'disk-read-only', 'disk-error', 'disk-denied', 'disk-missing'] as const
        if (flushed.ok) this.faults.clear('store', ...codes)
        else {
          this.faults.clear('store', ...codes.filter((code) => code !== flushed.fault.code))
          this.faults.raise('store', flushed.fault, now)
          this.flushWanted = true
        }
        this.tellAlerts()
        this.uplink?.safeUpTo(this.ports.store.safeSeq)
      }),
    )
  }

  private checkpoint(now: MonoSeconds): void {
    this.savedAt = now
    const value: Checkpoint = {
      v: 1,
      session: this.session,
      seq: this.ports.store.safeSeq,
      changes: Object.fromEntries(this.lastChange),
      uplink: this.uplink?.checkpoint(),
    }
    this.inFlight.track(
      this.ports.state.save(value).then((saved) => {
        if (saved.ok) this.faults.clear('state', 'disk-full', 'disk-read-only', 'disk-error')
        else this.faults.raise('state', saved.fault, now)
      }),
    )
  }

  // ---- what others see ------------------------------------------------------------------------------------------------

  private askGauges(now: MonoSeconds): void {
    const asked = this.gauges.map((gauge) => gauge.ask(now))
    this.inFlight.track(Promise.all(asked).then(() => this.surroundings.look(now)))
  }

  private rebuildCalendar(): void {
    this.calendar?.stop()
    // The minute is the station's own, so that a group does not speak all at once.
    const minute = [...this.options.station].reduce((sum, c) => sum + c.charCodeAt(0), 0) % 60
    this.calendar = this.ports.scheduler.calendar(`${minute} * * * *`, () => {
      this.healthAt = this.ports.clock.mono()
    })
  }

  private publishState(now: MonoSeconds): void {
    this.healthAt = addSeconds(now, this.options.healthEverySeconds)
    this.uplink?.retain('health', json(this.health(now)))
    this.retainAverages()
    for (const alert of this.alerts) this.retainAlert(alert)
  }

  private retainAlert(alert: Alert): void {
    const unit = kindOf(alert.rule.channel)?.unit ?? ''
    this.uplink?.retain(
      `alerts/${alert.rule.rule}`,
      json(alertJson(alert, unit, this.lastChange.get(alert.rule.rule))),
    )
  }

  private retainAverages(): void {
    const channels: Record<string, unknown> = {}
    for (const [key] of this.averages)
      if (isMass(key)) channels[key] = { unit: kindOf(key)?.unit, ...this.averagesOf(key) }
    const utc = this.clock.at(this.recordStart)
    const at = utc === undefined ? { clock: 'not trusted' } : { until: utcText(utc) }
    if (this.records > 0) this.uplink?.retain('averages', json({ v: 1, ...at, channels }))
  }

  /** 10-min, 1-h and rolling 24-h averages of a channel, as JSON. */
  averagesOf(key: string): Record<string, unknown> {
    const known = this.averages.get(key)
    if (!known) return {}
    const of = (window: '10-min' | '1-h' | '24-h') =>
      averageJson(known.averages.mean(window, this.recordStart), this.decimals(key))
    return { '10-min': of('10-min'), '1-h': of('1-h'), '24-h': of('24-h') }
  }

  private decimals(key: string): number {
    return kindOf(key)?.decimals ?? 2
  }

  /** The health message: state, faults with their age, power, clock, and the balance of every stage. */
  health(now: MonoSeconds): Record<string, unknown> {
    const utc = this.clock.at(now)
    const { store } = this.ports
    return {
      v: 1,
      station: this.options.station,
      boot: this.boot,
      session: this.session,
      mono_s: Math.round(now),
      ...(utc === undefined
        ? {}
        : { at: utcText(utc), clock_error_s: Math.round(this.clock.errorAt(now) * 10) / 10 }),
      state: this.faults.worst() ?? 'well',
      faults: this.faults.list().map((f) => ({
        code: f.code,
        detail: f.detail,
        for_s: Math.round(now - f.since),
        times: f.times,
      })),
      power: Object.assign({}, ...this.gauges.map((gauge) => gauge.newest())) as Record<string, number>,
      surroundings: this.surroundings.report(now),
      instruments: this.instruments.map((instrument) => instrument.report(now)),
      pairs: this.pairs.report(),
      store: { id: store.storeId, safe: store.safeSeq, buffered: store.buffered, ...store.counts() },
      uplink: this.uplink?.status(now) ?? { state: 'none' },
    }
  }

  /** Closes the running record short, writes the end down, flushes, saves, tells the broker. Bounded by the ports' limits. */
  async stop(reason: string): Promise<void> {
    if (this.stopped) return
    this.stopped = true
    this.calendar?.stop()
    const now = this.ports.clock.mono()
    for (const instrument of this.instruments) instrument.pull(now, true)
    if (now - this.recordStart > 0.005) this.writeRecord(now, now - this.recordStart)
    this.recordStart = now
    this.event(now, 'stopped', { reason })
    this.flushing = false
    this.flush(now)
    await this.inFlight.now()
    this.checkpoint(now)
    await this.inFlight.now()
    await Promise.all([...this.instruments.map((instrument) => instrument.stop()), this.uplink?.stop(now)])
  }
}

const withSlot = (reason: string, slot: string | undefined): string =>
  slot === undefined ? reason : `${reason}.${slot}`
