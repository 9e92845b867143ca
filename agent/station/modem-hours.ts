import type { FaultBoard } from '../health/health.js'
import { hasRests, isOnByHours, isOnByRhythm, type ModemRhythm } from '../power/power.js'
import { addSeconds, type MonoSeconds, type OnOffSwitch, type UtcMillis } from '../terms/terms.js'

/** Its hours are those of local standard time. */
export interface ModemOptions extends ModemRhythm {
  readonly standardOffsetMinutes: number
}

const where = 'modem'
/** An alert keeps the modem on for so long beside its hours. */
const onDemandSeconds = 600
/** Nothing goes through a modem before it has found its network. */
const comesUpSeconds = 30
const longestAwaySeconds = 48 * 3600

/** When the station may connect, and the power of the modem with it. */
export class ModemHours {
  private isOn: boolean | undefined
  private onSince: MonoSeconds | undefined
  private wantedUntil = 0
  /** Starts of the stretches for which an alert wanted it, in the last 24 hours. */
  private wanted: MonoSeconds[] = []
  private isHeld = false

  constructor(
    private readonly options: ModemOptions,
    private readonly supply: OnOffSwitch | undefined,
    private readonly faults: FaultBoard,
    private readonly utcAt: (now: MonoSeconds) => UtcMillis | undefined,
    private readonly track: (work: Promise<unknown>) => void,
  ) {}

  /** @param held the battery must recover first */
  mayConnect(now: MonoSeconds, held: boolean): boolean {
    this.isHeld = held
    const on = !held && (now < this.wantedUntil || this.isOpen(now))
    if (on !== this.isOn) this.switch(on, now)
    return on
  }

  /**
   * Somebody is to be told now: it comes on beside its hours, unless it is held.
   * @param mostSeconds for so long in 24 hours, all alerts together
   */
  want(now: MonoSeconds, mostSeconds: number): void {
    if (this.isHeld || now < this.wantedUntil || this.isOpen(now)) return
    this.wanted = this.wanted.filter((at) => now - at < 24 * 3600)
    if ((this.wanted.length + 1) * onDemandSeconds > mostSeconds) return
    this.wanted.push(now)
    this.wantedUntil = now + onDemandSeconds
    this.mayConnect(now, this.isHeld)
  }

  /** False where its hours are the whole day. */
  get rests(): boolean {
    return hasRests(this.options)
  }

  /** Seconds until the station is heard again, that would say something every so often. */
  nextContactSeconds(now: MonoSeconds, everySeconds: number): number {
    for (let seconds = everySeconds; seconds < everySeconds + longestAwaySeconds; seconds += 60)
      if (this.isOpen(addSeconds(now, seconds))) return seconds
    return everySeconds
  }

  /** It has been on for long enough that something may go through it. */
  isUp(now: MonoSeconds): boolean {
    return this.isOn === true && this.onFor(now) >= (this.supply ? comesUpSeconds : 0)
  }

  /** Seconds since it was let on; 0 while it is off. */
  onFor(now: MonoSeconds): number {
    return now - (this.onSince ?? now)
  }

  get watts(): 0 | 1 {
    return this.isOn === false ? 0 : 1
  }

  private switch(on: boolean, now: MonoSeconds): void {
    this.isOn = on
    this.onSince = on ? now : undefined
    if (!this.supply) return
    this.track(
      this.supply.set(on).then((switched) => {
        if (switched.ok) return this.faults.clear(where, 'sensor-switch-failed')
        this.isOn = undefined
        this.faults.raise(where, switched.fault, now)
      }),
    )
  }

  /** Without a trusted clock there are no hours of the day: the rhythm alone counts, so that the time can be learned. */
  private isOpen(now: MonoSeconds): boolean {
    const utc = this.utcAt(now)
    if (utc === undefined) return isOnByRhythm(this.options, Math.floor(now / 60))
    return isOnByHours(this.options, Math.floor(utc / 60_000) + this.options.standardOffsetMinutes)
  }
}
