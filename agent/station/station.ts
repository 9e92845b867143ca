/**
 * station: the composition root of one site. It wires the stages in the order of the data and owns the loop.
 *
 * In: ports (clock, lines, gauges, disk behind the store, broker behind the uplink) and options.
 * Out: minute records in the store, averages, alerts and health as retained messages, packs through the uplink.
 * Assumed: `tick` is called about once a read period and at `nextTickAt`; it never waits. Work that does is tracked, and
 * `settled` resolves when none is in flight, so that virtual time can stand still meanwhile.
 * Refused: nothing stops the loop. A part that fails is told in health and tried again; the others go on.
 */
import { StationClock, usualClock } from '../clock/clock.js'
import { FaultBoard } from '../health/health.js'
import { columnsOf } from '../minutes/minutes.js'
import type { Alert } from '../alerts/alerts.js'
import { usualVisit, usualZeroCheck } from '../sitelog/sitelog.js'
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
  type ColumnSet,
  type EventLine,
  type MonoSeconds,
} from '../terms/terms.js'
import type { Uplink } from '../uplink/uplink.js'
import { AlertWatch } from './alert-watch.js'
import { whatWasBefore } from './before.js'
import { GaugeRunner } from './gauge-runner.js'
import { healthMessage } from './health-message.js'
import { InstrumentRunner } from './instrument-runner.js'
import { json } from './messages.js'
import type { StationOptions, StationPorts } from './options.js'
import { PairWatch } from './pair-watch.js'
import { earlierBoots, readCheckpoint, restoreEvents, siteTexts, type Checkpoint } from './restart.js'
import { daySoFar, RunningAverages, type DaySoFar } from './running-averages.js'
import { SiteWatch, type EntryAnswer } from './site-watch.js'
import { stationStatus, type StationStatus } from './status.js'
import { SurroundingsWatch } from './surroundings-watch.js'

export { answerRequest, siteList, type SiteList } from './requests.js'
export { gaugeChannel } from './gauge-runner.js'
export { usualSilence } from './instrument-runner.js'
export type { StationOptions, StationPorts } from './options.js'
export type { EntryAnswer } from './site-watch.js'
export type { StationStatus } from './status.js'

/** A wake-up later than this is a pause of the process or the board, told once. */
const pauseSeconds = 10
const checkpointEverySeconds = 3600

export class Station {
  readonly faults: FaultBoard
  private readonly alerting: AlertWatch
  private readonly site: SiteWatch
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
  private readonly averages: RunningAverages
  private readonly inFlight = new InFlight()
  private readonly startedAt: MonoSeconds
  private recordStart: MonoSeconds
  private edge: MonoSeconds
  private tickedAt: MonoSeconds
  private flushedAt: MonoSeconds
  private flushWanted = false
  private flushing = false
  private savedAt: MonoSeconds
  private healthAt: MonoSeconds
  private calendar: { stop(): void } | undefined
  private session = 0
  private settingsHash: string | undefined
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
    const measured = this.instruments.flatMap((part) => part.channels.map(({ key }) => key))
    this.averages = new RunningAverages(
      this.set,
      new Set([...measured, ...options.rules.map(({ channel }) => channel)]),
    )
    this.alerting = new AlertWatch(
      options.rules,
      this.averages,
      {
        event: (at, name, details) => this.event(at, name, details),
        utcAt: (at) => this.clock.at(at),
        log: ports.log,
      },
      now,
    )
    this.site = this.makeSite()
    this.startedAt = now
    this.recordStart = now
    this.tickedAt = now
    this.flushedAt = now
    this.savedAt = now
    this.healthAt = addSeconds(now, 60)
    this.edge = addSeconds(now, options.recordSeconds)
  }

  private makeSite(): SiteWatch {
    const { site = { visit: usualVisit, zeroCheck: usualZeroCheck } } = this.options
    const { store, log } = this.ports
    const instruments = this.instruments.map((instrument, i) => ({
      slot: this.ports.instruments[i].options.slot,
      measuresMass: instrument.channels.some(({ name }) => name === 'pm2_5'),
      surroundings: instrument.screen.surroundings,
    }))
    return new SiteWatch(site, instruments, {
      here: () => this.present(this.ports.clock.mono()),
      write: (name, details) => this.event(this.ports.clock.mono(), name, details),
      store,
      track: (work) => this.inFlight.track(work),
      tell: (words, details) => log.info(words, details),
      onEntries: () => this.takeEntries(),
    })
  }

  private present(mono: MonoSeconds) {
    return { boot: this.boot, mono, utc: this.clock.at(mono) }
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
    const found = await restoreEvents(store, checkpoint)
    this.alerting.restore(found.changes)
    this.session = found.newestSession + 1
    this.settingsHash = found.settingsHash
    this.uplink?.restore(checkpoint.uplink, this.session)
    this.site.restore(found.site, await earlierBoots(store, this.boot))
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
    this.tellSettings(now)
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

  /** A line of its own each time they changed, so that every figure can be set beside the settings it came from. */
  private tellSettings(now: MonoSeconds): void {
    const { settingsDetails } = this.options
    if (!settingsDetails || settingsDetails.hash === this.settingsHash) return
    this.settingsHash = settingsDetails.hash
    this.event(now, 'settings', settingsDetails)
  }

  /** From the store: earlier boots once UTC is known, and everything by what the site log says now. */
  private rebuildAverages(now: MonoSeconds): Promise<void> {
    return this.averages.rebuild(this.ports.store, this.present(now), () => this.site.effects())
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

  /** The rules with their states. */
  get alerts(): readonly Alert[] {
    return this.alerting.alerts
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
    this.site.step(now)
    this.stepAlerts(at, now)
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
    this.averages.feed(start, seconds, values)
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
    this.site.clockLearned()
    this.inFlight.track(this.rebuildAverages(now))
    this.rebuildCalendar()
    return true
  }

  private clockDetail(): string {
    return this.clock.refusedTooEarly
      ? 'the time offered is before this program was made'
      : 'no source vouches for it'
  }

  private stepAlerts(at: MonoSeconds, now: MonoSeconds): void {
    const quiet = this.site.quietWords(now)
    if (this.alerting.step(at, quiet)) {
      this.flushWanted = true
      this.savedAt = monoSeconds(-Infinity)
    }
    for (const alert of this.alerting.turned(quiet)) this.retainAlert(alert)
  }

  /** Only after the line of the change was synced, or the disk was tried and failed. */
  private tellAlerts(): void {
    const untold = this.alerting.takeUntold()
    if (untold.length === 0) return
    for (const alert of untold) this.retainAlert(alert)
    this.retainAverages()
    this.uplink?.hurry()
  }

  // ---- disk -----------------------------------------------------------------------------------------------------------

  private event(mono: MonoSeconds, name: string, details: Readonly<Record<string, string>>): EventLine {
    const line = { kind: 'event', boot: this.boot, mono, utc: this.clock.at(mono), name, details } as const
    return { ...line, seq: this.ports.store.append((seq) => ({ ...line, seq })) }
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
      changes: Object.fromEntries(this.alerting.lastChange),
      settingsHash: this.settingsHash,
      site: siteTexts(this.site.lines, this.ports.store.safeSeq),
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
    for (const alert of this.alerting.alerts) this.retainAlert(alert)
  }

  private retainAlert(alert: Alert): void {
    const quiet = this.site.quietWords(this.ports.clock.mono())
    this.uplink?.retain(`alerts/${alert.rule.rule}`, json(this.alerting.json(alert, quiet)))
  }

  private retainAverages(): void {
    const channels: Record<string, unknown> = {}
    for (const key of this.averages.keys)
      if (isMass(key)) channels[key] = { unit: kindOf(key)?.unit, ...this.averagesOf(key) }
    const utc = this.clock.at(this.recordStart)
    const at = utc === undefined ? { clock: 'not trusted' } : { until: utcText(utc) }
    if (this.records > 0) this.uplink?.retain('averages', json({ v: 1, ...at, channels }))
  }

  /** 10-min, 1-h, rolling 24-h and the day's averages of a channel, as JSON; the day only once the clock is trusted. */
  averagesOf(key: string): Record<string, unknown> {
    return this.averages.json(key, this.recordStart, this.daySoFar())
  }

  private daySoFar(): DaySoFar | undefined {
    const utc = this.clock.at(this.recordStart)
    return utc === undefined ? undefined : daySoFar(utc, this.options.standardOffsetMinutes ?? 0)
  }

  /** The health message: state, faults with their age, power, clock, and the balance of every stage. */
  health(now: MonoSeconds): Record<string, unknown> {
    return healthMessage(this.view(), now)
  }

  /** What somebody at the station wants to know; worked out only when asked for. */
  status(): Promise<StationStatus> {
    return stationStatus(this.view(), this.ports.clock.mono())
  }

  /** Takes an entry of the site log; resolves when its line is safe, or the disk was tried. */
  async addEntry(
    input: Readonly<Record<string, unknown>>,
  ): Promise<EntryAnswer & { readonly safe: boolean }> {
    const answer = this.site.add(input)
    await this.inFlight.now()
    return { ...answer, safe: answer.ok && answer.number <= this.ports.store.safeSeq }
  }

  get siteLog() {
    return this.site.log
  }

  /** An entry changes what counts: its line is made safe, averages are worked out anew, and who listens is told. */
  private takeEntries(): void {
    const now = this.ports.clock.mono()
    this.flush(now)
    this.inFlight.track(
      this.ports.store.flush().then(async () => {
        await this.rebuildAverages(now)
        this.publishState(this.ports.clock.mono())
      }),
    )
  }

  private view() {
    return {
      options: this.options,
      boot: this.boot,
      session: this.session,
      startedAt: this.startedAt,
      clock: this.clock,
      faults: this.faults,
      instruments: this.instruments,
      gauges: this.gauges,
      surroundings: this.surroundings,
      pairs: this.pairs,
      store: this.ports.store,
      uplink: this.uplink,
      averages: this.averages,
      alerting: this.alerting,
      site: this.site,
      recordStart: this.recordStart,
      day: this.daySoFar(),
      freeBytes: this.ports.freeBytes,
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
