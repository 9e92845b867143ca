/**
 * station: the composition root of one site. It wires the stages in the order of the data and owns the loop.
 *
 * In: ports (clock, lines, gauges, disk behind the store, broker behind the uplink) and options.
 * Out: minute records in the store, averages, alerts and health as retained messages, packs through the uplink.
 * Assumed: `tick` is called about once a read period and at `nextTickAt`; it never waits. Work that does is tracked, and
 * `settled` resolves when none is in flight, so that virtual time can stand still meanwhile.
 * Refused: nothing stops the loop. A part that fails is told in health and tried again; the others go on.
 */
import type { Alert } from '../alerts/alerts.js'
import { answerDelivery, type Teller } from '../delivery/delivery.js'
import type { FaultBoard } from '../health/health.js'
import type { KeyWish } from '../store/store.js'
import { faultText, type MonoSeconds } from '../terms/terms.js'
import { Loop } from './loop.js'
import { offeredTime, type TimeAnswer } from './offered-time.js'
import type { StationOptions, StationPorts } from './options.js'
import type { EntryAnswer } from './site-watch.js'
import { stationStatus, type StationStatus } from './status.js'

export { reservedNumbers } from './restart.js'
export { answerRequest, siteList, type SiteList } from './requests.js'
export { gaugeChannel } from './gauge-runner.js'
export { usualSilence } from './instrument-runner.js'
export type { CommandPorts } from './command-watch.js'
export type { StationOptions, StationPorts } from './options.js'
export type { TellingOptions, TellingPorts } from './delivery-watch.js'

export type { TimeAnswer } from './offered-time.js'
export type { SettingsFromAfar, SettingsInForce } from './settings-from-afar.js'
export type { EntryAnswer } from './site-watch.js'
export { changedFacts, type KeyChanged } from './signing-keys.js'
export type { StationStatus } from './status.js'

const atStation: Teller = { words: 'station', by: 'at the station' }

/** What others see of a running station, and what they ask of it. */
export class Station {
  private constructor(private readonly loop: Loop) {}

  /** Restores what the store and the checkpoint know, writes the start down, and begins the first record. */
  static async start(options: StationOptions, ports: StationPorts): Promise<Station> {
    const loop = new Loop(options, ports)
    const station = new Station(loop)
    await loop.restore()
    loop.begin()
    await station.settled()
    return station
  }

  /** When the next tick is due: a read period from the last, or the record's edge if that is sooner. */
  get nextTickAt(): MonoSeconds {
    return this.loop.nextTickAt
  }

  /** One pull of every instrument; at the record's edge, everything that follows from a finished minute. */
  tick(): void {
    this.loop.tick()
  }

  // ---- what others see ------------------------------------------------------------------------------------------------

  get name(): string {
    return this.loop.options.station
  }

  get storeId(): string {
    return this.loop.ports.store.storeId
  }

  get faults(): FaultBoard {
    return this.loop.parts.faults
  }

  /** The rules with their states. */
  get alerts(): readonly Alert[] {
    return this.loop.parts.alerting.alerts
  }

  get siteLog() {
    return this.loop.parts.site.log
  }

  /** Everything up to this number is on the collector's disk, by its receipt. */
  get safeAway(): number {
    return this.loop.parts.uplink?.status(this.loop.now()).safe_away ?? 0
  }

  /** 10-min, 1-h, rolling 24-h and the day's averages of a channel, as JSON; the day only once the clock is trusted. */
  averagesOf(key: string): Record<string, unknown> {
    return this.loop.parts.averages.json(key, this.loop.recordStart, this.loop.daySoFar())
  }

  /** The health message: state, faults with their age, power, clock, and the balance of every stage. */
  health(now?: MonoSeconds): Record<string, unknown> {
    return this.loop.health(now)
  }

  /** What hangs for longer than this, in words: the line of an instrument, or a write. Undefined while all goes on. */
  stalled(limitSeconds: number): string | undefined {
    const now = this.loop.tickedAt
    const { instruments, jobs } = this.loop.parts
    const hanging = instruments.findIndex((instrument) => instrument.hangsFor(now) > limitSeconds)
    if (hanging < 0) return jobs.stalled(now, limitSeconds)
    const { name } = this.loop.ports.instruments[hanging].options
    return `the port of ${name} is neither opened nor closed`
  }

  /** What somebody at the station wants to know; worked out only when asked for. */
  status(): Promise<StationStatus> {
    return stationStatus(this.loop.view(), this.loop.now())
  }

  // ---- what others ask ------------------------------------------------------------------------------------------------

  /** Takes an entry of the site log; resolves when its line is safe, or the disk was tried. */
  async addEntry(
    input: Readonly<Record<string, unknown>>,
  ): Promise<EntryAnswer & { readonly safe: boolean }> {
    const answer = this.loop.parts.site.add(input)
    await this.loop.parts.inFlight.now()
    return { ...answer, safe: answer.ok && answer.number <= this.loop.ports.store.safeSeq }
  }

  /**
   * Takes the time that a person offers (`utc`, `error_s`, `confirm`); where it changes what is believed, the running record is
   * closed short, and the answer comes when the time check is safe.
   */
  async setClock(input: Readonly<Record<string, unknown>>): Promise<TimeAnswer> {
    const now = this.loop.now()
    const answer = offeredTime(this.loop.parts, input, now)
    if (!answer.ok || !answer.used) return answer
    this.loop.cutShort(now)
    await this.loop.parts.inFlight.now()
    return answer
  }

  /** Acknowledges, mutes, or begins a test message; resolves when its line is safe or was tried. Undefined: no such request. */
  async tellingRequest(
    request: Readonly<Record<string, unknown>>,
  ): Promise<Record<string, unknown> | undefined> {
    const answer = answerDelivery(this.loop.parts.delivery, request, atStation)
    if (answer) await this.loop.keeper.whenSafe()
    return answer
  }

  /** Lets the lines go again that the broker did not take. */
  resend(): { ok: boolean; words: string } {
    const { uplink } = this.loop.parts
    if (!uplink) return { ok: false, words: 'this station sends nothing: uplink.mode is none' }
    const stretches = uplink.status(this.loop.now()).parked?.length ?? 0
    uplink.resend()
    return {
      ok: true,
      words: stretches === 0 ? 'nothing is parked' : `${stretches} stretches of lines go again`,
    }
  }

  /** Another key signs from now on; faults in words with their code. */
  async changeKey(wish: KeyWish): Promise<Record<string, unknown>> {
    const changed = await this.loop.changeKey(wish)
    if (changed.ok) return { ok: true, ...changed.value }
    return { ok: false, code: changed.fault.code, words: faultText(changed.fault) }
  }

  /** Brings to disk what waits in memory; whether that has worked. */
  async flushNow(): Promise<boolean> {
    const { store } = this.loop.ports
    const last = store.nextSeq - 1
    this.loop.keeper.flush(this.loop.now())
    await this.loop.parts.inFlight.now()
    return store.safeSeq >= last
  }

  /** Makes everything safe and lets it go without waiting for the next pack time. */
  sendNow(): void {
    const { inFlight, uplink } = this.loop.parts
    this.loop.keeper.flush(this.loop.now())
    inFlight.track(inFlight.now().then(() => uplink?.hurry()))
  }

  /** True while something is on its way to the disk, the broker or a device. */
  get busy(): boolean {
    const { inFlight, uplink, delivery } = this.loop.parts
    return inFlight.any || uplink?.busy === true || delivery?.busy === true
  }

  async settled(): Promise<void> {
    while (this.busy) {
      await this.loop.parts.inFlight.settled()
      await this.loop.parts.uplink?.settled()
      await this.loop.parts.delivery?.settled()
    }
  }

  /** Closes the running record short, writes the end down, flushes, saves, tells the broker. Bounded by the ports' limits. */
  stop(reason: string): Promise<void> {
    return this.loop.stop(reason)
  }
}
