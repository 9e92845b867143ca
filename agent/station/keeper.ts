import type { KeyWish } from '../store/store.js'
import { addSeconds, type EventLine, type MonoSeconds, type Outcome } from '../terms/terms.js'
import { diskCodes } from './disk-codes.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Parts } from './parts.js'
import { reservedAhead, siteTexts, type Checkpoint } from './restart.js'
import { Sealing } from './sealing.js'

const checkpointEverySeconds = 3600
/** After something pressing a checkpoint comes sooner, but 48 a day are the most that a card is given to do. */
const leastBetweenCheckpoints = 1800
const longestRestSeconds = 3600
/** A minute's end comes some milliseconds early or late; what is due in between is due now. */
const slackSeconds = 0.5

/**
 * Brings what a station has to keep to the disk: lines when they are due or pressing, seals and a checkpoint once an hour.
 * While the disk fails lines may leave unsafe, as far as the newest checkpoint on it has reserved their numbers.
 */
export class Keeper {
  /** Starts of this store so far, this one included. */
  session = 0
  /** Of the newest settings line. */
  settingsHash: string | undefined
  readonly sealing: Sealing
  private flushedAt: MonoSeconds
  private flushWanted = false
  private writing = false
  private written: Promise<void> = Promise.resolve()
  /** A disk that answers with errors is tried again then, and how long after the attempt before that is. */
  private tryAt: MonoSeconds
  private triesEverySeconds = 0
  private savedAt: MonoSeconds
  private saveWanted = false
  /** No start gives a number up to this one again: it stands so on the disk. */
  private reservedUpTo = 0

  /** @param onFlushed the disk was tried: what waited for that may be told now, and lines up to this number may leave */
  constructor(
    private readonly options: StationOptions,
    private readonly ports: StationPorts,
    private readonly parts: () => Parts,
    private readonly onFlushed: (leaveUpTo: number) => void,
  ) {
    this.flushedAt = ports.clock.mono()
    this.savedAt = this.flushedAt
    this.tryAt = this.flushedAt
    this.sealing = new Sealing(options, ports, parts)
  }

  event(mono: MonoSeconds, name: string, details: Readonly<Record<string, string>>): EventLine {
    const { boot, clock } = this.parts()
    const line = { kind: 'event', boot, mono, utc: clock.at(mono), name, details } as const
    return { ...line, seq: this.ports.store.append((seq) => ({ ...line, seq })) }
  }

  /** A line of its own each time they changed, so that every figure can be set beside the settings it came from. */
  settings(now: MonoSeconds): void {
    const { settingsDetails } = this.options
    if (!settingsDetails || settingsDetails.hash === this.settingsHash) return
    this.settingsHash = settingsDetails.hash
    this.event(now, 'settings', settingsDetails)
  }

  /** Something was written that must not wait: with this minute's end it is made safe. */
  pressing(): void {
    this.flushWanted = true
    this.saveWanted = true
  }

  minute(now: MonoSeconds): void {
    if (now < this.tryAt - slackSeconds) this.onFlushed(this.ports.store.letOut(this.reservedUpTo))
    else if (this.sealing.isDue(now)) this.write(now, () => this.sealing.seal(now))
    else if (this.flushWanted || now - this.flushedAt >= this.options.flushEverySeconds - slackSeconds)
      this.flush(now)
    const every = this.saveWanted ? leastBetweenCheckpoints : checkpointEverySeconds
    if (now - this.savedAt >= every - slackSeconds) void this.checkpoint(now)
  }

  /** Brings everything written so far to the disk, with what else is written in this step; whether that has worked. */
  async whenSafe(): Promise<boolean> {
    const { store, clock } = this.ports
    const last = store.nextSeq - 1
    await Promise.resolve()
    // A write that was under way may have begun before these lines: then a second one brings them.
    for (let tries = 0; tries < 2 && store.safeSeq < last; tries++) {
      const now = clock.mono()
      if (!this.writing && now < this.tryAt - slackSeconds) return false
      this.flush(now)
      await this.written
    }
    return store.safeSeq >= last
  }

  flush(now: MonoSeconds): void {
    this.write(now, () => this.ports.store.flush())
  }

  /** Starts a write unless one runs; the next minute starts another. A failing disk is told and tried again. */
  private write(now: MonoSeconds, work: () => Promise<Outcome<void>>): void {
    if (this.writing) return
    this.writing = true
    this.flushWanted = false
    this.flushedAt = now
    const written = work()
      .then((outcome) => this.withMoreRoom(outcome, now))
      .then((outcome) => {
        this.writing = false
        this.tellDisk(outcome, now)
        const { store } = this.ports
        this.onFlushed(outcome.ok ? store.safeSeq : store.letOut(this.reservedUpTo))
      })
    const { inFlight, jobs } = this.parts()
    this.written = jobs.watch('write', written)
    inFlight.track(this.written)
  }

  /** A full disk takes the lines after all where files that are safe away may go. */
  private async withMoreRoom(outcome: Outcome<void>, now: MonoSeconds): Promise<Outcome<void>> {
    if (outcome.ok || outcome.fault.code !== 'disk-full') return outcome
    return (await this.sealing.makeRoom(now)) ? this.ports.store.flush() : outcome
  }

  private tellDisk(flushed: Outcome<void>, now: MonoSeconds): void {
    const { faults } = this.parts()
    this.restAfter(flushed, now)
    if (flushed.ok) return faults.clear('store', ...diskCodes)
    faults.clear('store', ...diskCodes.filter((code) => code !== flushed.fault.code))
    faults.raise('store', flushed.fault, now)
    this.flushWanted = true
  }

  /**
   * A full or read-only disk refuses at no cost. One that answers with errors may hang at each attempt, and every attempt costs
   * a file name: it is left alone for longer and longer.
   */
  private restAfter(flushed: Outcome<void>, now: MonoSeconds): void {
    const isError = !flushed.ok && flushed.fault.code === 'disk-error'
    const longer = Math.max(60, 2 * this.triesEverySeconds)
    this.triesEverySeconds = isError ? Math.min(longestRestSeconds, longer) : 0
    this.tryAt = addSeconds(now, this.triesEverySeconds)
  }

  /** Another key signs from now on; see `Sealing.changeKey`. */
  async changeKey(now: MonoSeconds, wish: KeyWish): ReturnType<Sealing['changeKey']> {
    const changed = await this.sealing.changeKey(now, wish)
    this.flush(now)
    this.pressing()
    return changed
  }

  /** @param isLast nothing leaves any more: where all is safe, no number need be kept free */
  checkpoint(now: MonoSeconds, isLast = false): Promise<void> {
    const { alerting, troubles, delivery, commands, site, uplink, ladder, energy, faults, inFlight, jobs } =
      this.parts()
    if (jobs.isRunning('checkpoint') && !isLast) return Promise.resolve()
    const { safeSeq, nextSeq, buffered } = this.ports.store
    this.savedAt = now
    this.saveWanted = false
    const reservedUpTo = isLast && buffered === 0 ? 0 : nextSeq + reservedAhead
    const value: Checkpoint = {
      v: 1,
      session: this.session,
      seq: safeSeq,
      changes: Object.fromEntries(alerting.lastChange),
      settingsHash: this.settingsHash,
      site: siteTexts(site.lines, safeSeq),
      energy: energy?.save(now, isLast),
      uplink: uplink && { ...uplink.checkpoint(), ladder: ladder?.save(now) },
      seals: this.sealing.save(),
      delivery: delivery?.save(),
      commands: commands?.save(),
      troubles: troubles.save(),
      ...(reservedUpTo > 0 ? { reservedUpTo } : {}),
    }
    const saved = this.ports.state.save(value).then((outcome) => {
      if (outcome.ok) {
        this.reservedUpTo = reservedUpTo
        faults.clear('state', 'state-damaged', ...diskCodes)
      } else faults.raise('state', outcome.fault, now)
    })
    inFlight.track(jobs.watch('checkpoint', saved))
    return saved
  }

  /** Before something that may end the board. */
  async makeSafe(now: MonoSeconds): Promise<void> {
    await this.ports.store.flush()
    await this.checkpoint(now)
  }

  /** The last lines and the last checkpoint, whatever is under way. */
  async last(now: MonoSeconds): Promise<void> {
    const { inFlight } = this.parts()
    this.writing = false
    this.flush(now)
    await inFlight.now()
    void this.checkpoint(now, true)
    await inFlight.now()
  }
}
