import { monoSeconds, type EventLine, type MonoSeconds, type Outcome } from '../terms/terms.js'
import type { StationOptions, StationPorts } from './options.js'
import type { Parts } from './parts.js'
import { siteTexts, type Checkpoint } from './restart.js'

const checkpointEverySeconds = 3600
const diskCodes = ['disk-full', 'disk-read-only', 'disk-error', 'disk-denied', 'disk-missing'] as const

/** Brings what a station has to keep to the disk: lines when they are due or pressing, a checkpoint once an hour. */
export class Keeper {
  /** Starts of this store so far, this one included. */
  session = 0
  /** Of the newest settings line. */
  settingsHash: string | undefined
  private flushedAt: MonoSeconds
  private flushWanted = false
  private flushing = false
  private savedAt: MonoSeconds

  /** @param onFlushed the disk was tried: what waited for that may be told now */
  constructor(
    private readonly options: StationOptions,
    private readonly ports: StationPorts,
    private readonly parts: () => Parts,
    private readonly onFlushed: () => void,
  ) {
    this.flushedAt = ports.clock.mono()
    this.savedAt = this.flushedAt
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
    this.savedAt = monoSeconds(-Infinity)
  }

  minute(now: MonoSeconds): void {
    if (this.flushWanted || now - this.flushedAt >= this.options.flushEverySeconds) this.flush(now)
    if (now - this.savedAt >= checkpointEverySeconds) this.checkpoint(now)
  }

  /** Starts a flush unless one runs; the next minute starts another. A failing disk is told and tried again. */
  flush(now: MonoSeconds): void {
    if (this.flushing) return
    this.flushing = true
    this.flushWanted = false
    this.flushedAt = now
    const flushed = this.ports.store.flush().then((outcome) => {
      this.flushing = false
      this.tellDisk(outcome, now)
      this.onFlushed()
    })
    this.parts().inFlight.track(flushed)
  }

  private tellDisk(flushed: Outcome<void>, now: MonoSeconds): void {
    const { faults } = this.parts()
    if (flushed.ok) return faults.clear('store', ...diskCodes)
    faults.clear('store', ...diskCodes.filter((code) => code !== flushed.fault.code))
    faults.raise('store', flushed.fault, now)
    this.flushWanted = true
  }

  checkpoint(now: MonoSeconds): void {
    const { alerting, site, uplink, faults, inFlight } = this.parts()
    const { safeSeq } = this.ports.store
    this.savedAt = now
    const value: Checkpoint = {
      v: 1,
      session: this.session,
      seq: safeSeq,
      changes: Object.fromEntries(alerting.lastChange),
      settingsHash: this.settingsHash,
      site: siteTexts(site.lines, safeSeq),
      uplink: uplink?.checkpoint(),
    }
    const saved = this.ports.state.save(value).then((outcome) => {
      if (outcome.ok) faults.clear('state', 'state-damaged', ...diskCodes)
      else faults.raise('state', outcome.fault, now)
    })
    inFlight.track(saved)
  }

  /** The last lines and the last checkpoint, whatever is under way. */
  async last(now: MonoSeconds): Promise<void> {
    const { inFlight } = this.parts()
    this.flushing = false
    this.flush(now)
    await inFlight.now()
    this.checkpoint(now)
    await inFlight.now()
  }
}
