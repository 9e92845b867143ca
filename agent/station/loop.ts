/** The loop of a station: from its start over each pull and each finished minute to its stop. station.ts says what it assumes. */
import { handOverName, type KeyWish } from '../store/store.js'
import { addSeconds, type EventLine, type MonoSeconds } from '../terms/terms.js'
import { lookAtClock } from './clock-watch.js'
import { healthMessage, type StationView } from './health-message.js'
import { Keeper } from './keeper.js'
import type { StationOptions, StationPorts } from './options.js'
import { makeParts, type Parts } from './parts.js'
import { RecordWriter } from './record-writer.js'
import { restoreStation } from './restore-station.js'
import { daySoFar, type DaySoFar } from './running-averages.js'
import { Teller } from './teller.js'
import { TimeSources } from './time-sources.js'

/** What may end the board waits no longer for the disk. */
const safeLimitSeconds = 20
/** A wake-up later than this is a pause of the process or the board, told once. */
const pauseSeconds = 10
/** An edge that is nearer than this has come; a record shorter than this is none. */
const instantSeconds = 0.005

export class Loop {
  readonly parts: Parts
  readonly keeper: Keeper
  private readonly records: RecordWriter
  private readonly teller: Teller
  private readonly timeSources: TimeSources
  readonly startedAt: MonoSeconds
  recordStart: MonoSeconds
  private edge: MonoSeconds
  tickedAt: MonoSeconds
  private healthAt: MonoSeconds
  private calendar: { stop(): void } | undefined
  private stopped = false

  constructor(
    readonly options: StationOptions,
    readonly ports: StationPorts,
  ) {
    const now = ports.clock.mono()
    this.keeper = new Keeper(
      options,
      ports,
      () => this.parts,
      (leaveUpTo) => this.flushed(leaveUpTo),
    )
    this.parts = makeParts(options, ports, {
      event: (at, name, details) => this.event(at, name, details),
      whenSafe: () => this.keeper.whenSafe(),
      health: () => this.health(),
      onFault: () => (this.healthAt = this.now()),
      onEntries: () => this.takeEntries(),
      end: () => this.recordStart,
      makeSafe: () => Promise.race([this.keeper.makeSafe(this.now()), ports.clock.after(safeLimitSeconds)]),
    })
    this.records = new RecordWriter(this.parts, ports.store, ports.instruments)
    this.teller = new Teller(this.parts, {
      health: () => this.health(),
      end: () => this.recordStart,
      now: () => this.now(),
    })
    this.timeSources = new TimeSources(this.parts, ports.timeLines ?? [], now)
    this.startedAt = now
    this.recordStart = now
    this.tickedAt = now
    this.healthAt = addSeconds(now, 60)
    this.edge = addSeconds(now, options.recordSeconds)
  }

  now(): MonoSeconds {
    return this.ports.clock.mono()
  }

  private event(at: MonoSeconds, name: string, details: Readonly<Record<string, string>>): EventLine {
    const line = this.keeper.event(at, name, details)
    this.parts.delivery?.written(line)
    return line
  }

  restore(): Promise<void> {
    return restoreStation(this.parts, this.ports, this.keeper, this.options, this.tickedAt)
  }

  begin(): void {
    const now = this.now()
    const { clock, site, inFlight } = this.parts
    this.keeper.event(now, 'started', { session: String(this.keeper.session), ...this.options.startDetails })
    this.keeper.settings(now)
    if (this.options.keyDetails) this.keeper.event(now, handOverName, this.options.keyDetails)
    const isTrusted = this.lookAtClock(now)
    this.startRecord(now)
    this.tickedAt = now
    this.keeper.flush(now)
    void this.keeper.checkpoint(now)
    this.askGauges(now)
    if (!isTrusted) site.lookAgain()
    this.publishState(now)
    if (!clock.trusted) inFlight.track(this.rebuildAverages(now))
  }

  private startRecord(at: MonoSeconds): void {
    this.recordStart = at
    this.edge = addSeconds(at, this.parts.clock.secondsToEdge(at, this.options.recordSeconds))
    this.parts.energy?.ports.plan.apply(at)
  }

  /** From the store: earlier boots once UTC is known, and everything by what the site log says now. */
  private rebuildAverages(now: MonoSeconds): Promise<void> {
    const { averages, boot, clock, site } = this.parts
    const present = { boot, mono: now, utc: clock.at(now) }
    return averages.rebuild(this.ports.store, present, () => site.effects())
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
    const atEdge = now >= this.edge - instantSeconds
    for (const instrument of this.parts.instruments) instrument.pull(now, atEdge)
    this.tickedAt = now
    this.timeSources.tick(now)
    if (atEdge) this.closeRecord(this.edge, now)
    this.parts.delivery?.step(now)
    if (now >= this.healthAt) this.publishState(now)
  }

  private notePause(now: MonoSeconds): void {
    const seconds = Math.round(now - this.tickedAt)
    if (now > this.edge) {
      this.closeRecord(this.edge, now)
      for (const instrument of this.parts.instruments) instrument.skipTo(now)
      this.startRecord(now)
    }
    this.keeper.event(now, 'paused', { seconds: String(seconds) })
  }

  // ---- a finished minute ----------------------------------------------------------------------------------------------

  private closeRecord(at: MonoSeconds, now: MonoSeconds): void {
    this.writeRecord(this.recordStart, at)
    // The clock became trusted or stepped: what has run since the edge is a record of its own, cut short.
    const cutShort = this.lookAtClock(now) && now - at > instantSeconds
    if (cutShort) this.writeRecord(at, now)
    this.startRecord(cutShort ? now : at)
    this.stepAlerts(at, now)
    this.askGauges(now)
    this.keeper.minute(now)
    this.stepLink(now)
  }

  private writeRecord(start: MonoSeconds, at: MonoSeconds): void {
    if (at - start <= instantSeconds) return
    this.records.write(start, at)
    this.teller.anyRecord = true
  }

  private stepLink(now: MonoSeconds): void {
    const { uplink, ladder, jobs, inFlight, modem, energy } = this.parts
    jobs.look(now)
    if (modem && !modem.mayConnect(now, energy?.state.afterHardCut === true)) return
    uplink?.step(now)
    const step = ladder?.look(now)
    if (step) inFlight.track(step)
  }

  /** @returns whether the clock became trusted or stepped: everything that lies in UTC is then placed anew */
  private lookAtClock(now: MonoSeconds): boolean {
    const event = (name: string, details: Readonly<Record<string, string>>) =>
      this.keeper.event(now, name, details)
    if (!lookAtClock(this.parts, this.ports, now, event)) return false
    this.parts.site.lookAgain()
    this.parts.inFlight.track(this.rebuildAverages(now))
    this.rebuildCalendar()
    // A certificate that was not valid by the old time may be by this one.
    this.parts.uplink?.tryNow()
    return true
  }

  private stepAlerts(at: MonoSeconds, now: MonoSeconds): void {
    const { site, alerting, troubles } = this.parts
    site.step(now)
    const quiet = site.quietWords(now)
    if (alerting.step(at, quiet)) this.keeper.pressing()
    if (troubles.step(now, quiet !== undefined)) this.keeper.pressing()
    // Before the lines of this minute go to the disk: theirs go with them.
    this.parts.delivery?.step(now)
    this.teller.turnedAlerts(quiet)
  }

  private flushed(leaveUpTo: number): void {
    const { uplink } = this.parts
    this.teller.changedAlerts()
    uplink?.safeUpTo(leaveUpTo)
    // What no disk keeps is to be away soon.
    if (leaveUpTo > this.ports.store.safeSeq) uplink?.hurry()
  }

  private askGauges(now: MonoSeconds): void {
    const { gauges, inFlight, surroundings, energy, jobs } = this.parts
    if (jobs.isRunning('gauges')) return
    const asked = Promise.all(gauges.map((gauge) => gauge.ask(now))).then(async () => {
      await surroundings.look(now)
      energy?.look(now)
    })
    inFlight.track(jobs.watch('gauges', asked))
  }

  /** Closes the running record short, and brings it to disk: something changed that must not lie inside one. */
  cutShort(now: MonoSeconds): void {
    for (const instrument of this.parts.instruments) instrument.pull(now, true)
    this.closeRecord(now, now)
    this.keeper.flush(now)
  }

  // ---- what is told -----------------------------------------------------------------------------------------------------

  private rebuildCalendar(): void {
    this.calendar?.stop()
    // The minute is the station's own, so that a group does not speak all at once.
    const minute = [...this.options.station].reduce((sum, c) => sum + c.charCodeAt(0), 0) % 60
    this.calendar = this.ports.scheduler.calendar(`${minute} * * * *`, () => {
      this.healthAt = this.now()
    })
  }

  private publishState(now: MonoSeconds): void {
    this.healthAt = addSeconds(now, this.options.healthEverySeconds)
    this.teller.all()
  }

  daySoFar(): DaySoFar | undefined {
    const utc = this.parts.clock.at(this.recordStart)
    return utc === undefined ? undefined : daySoFar(utc, this.options.standardOffsetMinutes ?? 0)
  }

  health(now = this.now()): Record<string, unknown> {
    return healthMessage(this.view(), now)
  }

  /** All that is known of the station now. */
  view(): StationView {
    const { options, startedAt, recordStart, keeper } = this
    const { store, freeBytes, residentBytes, commands } = this.ports
    const { session, sealing } = keeper
    const own = { options, startedAt, recordStart, session, sealing, day: this.daySoFar() }
    return { ...this.parts, ...own, store, freeBytes, residentBytes, settings: commands?.settings }
  }

  /** Another key signs from now on, which whoever listens hears soon; see `Sealing.changeKey`. */
  async changeKey(wish: KeyWish): ReturnType<Keeper['changeKey']> {
    const changing = this.keeper.changeKey(this.now(), wish)
    this.parts.inFlight.track(changing)
    const changed = await changing
    this.healthAt = this.now()
    return changed
  }

  /** An entry changes what counts: its line is made safe, averages are worked out anew, and who listens is told. */
  private takeEntries(): void {
    const now = this.now()
    this.keeper.flush(now)
    const taken = this.ports.store.flush().then(async () => {
      await this.rebuildAverages(now)
      this.publishState(this.now())
    })
    this.parts.inFlight.track(taken)
  }

  /** Closes the running record short, writes the end down, flushes, saves, tells the broker. Bounded by the ports' limits. */
  async stop(reason: string): Promise<void> {
    if (this.stopped) return
    this.stopped = true
    this.calendar?.stop()
    const now = this.now()
    const { instruments, uplink } = this.parts
    for (const instrument of instruments) instrument.pull(now, true)
    this.writeRecord(this.recordStart, now)
    this.recordStart = now
    await this.parts.delivery?.landed((seconds) => this.ports.clock.after(seconds))
    this.keeper.event(now, 'stopped', { reason })
    await this.keeper.last(now)
    await Promise.all([
      ...instruments.map((instrument) => instrument.stop()),
      this.timeSources.stop(),
      uplink?.stop(now),
      this.keeper.sealing.atStop(now),
    ])
  }
}
