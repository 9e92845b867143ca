import type { Decoder, ReadingSink } from '../instruments/instruments.js'
import { InstrumentMinute, type MinuteSeconds } from '../minutes/minutes.js'
import { Screen } from '../screening/screening.js'
import {
  addSeconds,
  type ByteLine,
  type Channel,
  type Fault,
  type LineFactory,
  type MonoSeconds,
  type StageCounts,
} from '../terms/terms.js'
import type { FaultBoard } from '../health/health.js'
import { FrameTimes } from './frame-times.js'
import type { InstrumentOptions, RunnerPorts } from './instrument-options.js'
import { LineLosses } from './line-losses.js'
import { liveReading, type LiveReading } from './live-reading.js'
import { tellExcluded } from './readings-watch.js'
import { PowerCycling } from './power-cycling.js'
import { Rests, type Before } from './rests.js'
import { SensorSleep } from './sensor-sleep.js'
import { tellSilence } from './silence.js'

export { usualSilence, type InstrumentOptions } from './instrument-options.js'

const readsPerPull = 4
/** A read that brought less has emptied the line: asking again would cost a system call and an exception. */
const emptiedBelowBytes = 1024
/** Bytes that waited longer than this (the process was paused) have no time any more: counted, not used. */
const staleAfterSeconds = 15
const firstRetrySeconds = 1
/** A tick may come this much early and still be the one that a read was due at. */
const dueWithinSeconds = 0.1
/**
 * One instrument from its line to the minute: opens and reopens, pulls, decodes, screens, accumulates. It decides by the
 * age of the newest frame, not by events: whatever the cause of a silence, the ladder is the same.
 */
export class InstrumentRunner {
  readonly channels: readonly Channel[]
  readonly screen: Screen
  private readonly decoder: Decoder
  private readonly minute: InstrumentMinute
  private line: ByteLine | undefined
  private busy = false
  /** When neither an opening nor a closing was under way last. */
  private movedAt: MonoSeconds
  private retryAt: MonoSeconds
  private retrySeconds = firstRetrySeconds
  private pulledAt: MonoSeconds
  /** Time of the newest reading. */
  private frameAt: MonoSeconds
  /** When the newest frame was read from the line; later than its time where the sensor is asked. */
  private heardAt: MonoSeconds
  private readonly readEvery: number
  private readonly silentAfter: number
  private readDueAt: MonoSeconds
  private askedAt: MonoSeconds
  private cleanedAt: MonoSeconds
  private framesEver = false
  private bytesSinceFrame = 0
  private bytesAt: MonoSeconds
  private wokenAt = -Infinity
  private reopenAfter: number
  private openedAt: MonoSeconds
  private silent = false
  /** The sensor may have been without power: its next readings are warm-up. */
  private powerLost = true
  private stale = 0
  /** Of the newest frame; the decoder writes the next one over it. */
  private newest: Float64Array | undefined
  private readonly times = new FrameTimes()
  private readonly losses: LineLosses
  private readonly rests: Rests
  private readonly cycling: PowerCycling | undefined
  private readonly sleep: SensorSleep

  constructor(
    private readonly options: InstrumentOptions,
    private readonly lines: LineFactory,
    makeDecoder: (sink: ReadingSink) => Decoder,
    private readonly faults: FaultBoard,
    private readonly track: (work: Promise<unknown>) => void,
    now: MonoSeconds,
    private readonly ports: RunnerPorts,
  ) {
    this.decoder = makeDecoder((values, errorCode) => this.takeFrame(values, errorCode))
    this.channels = this.decoder.channels
    this.screen = new Screen(this.channels, this.decoder.sizeOrder, options.screening)
    this.minute = new InstrumentMinute(this.channels, now, options.screening.capMicrogramsPerM3)
    this.losses = new LineLosses(options.name, faults)
    this.sleep = new SensorSleep(options.planned ?? {}, options.name, faults, track)
    this.rests = new Rests(options.screening.warmUpSeconds, ports.temperatureC)
    this.retryAt = now
    this.movedAt = now
    this.pulledAt = now
    this.frameAt = now
    this.heardAt = now
    this.bytesAt = now
    this.openedAt = now
    this.readDueAt = now
    this.askedAt = now
    this.cleanedAt = now
    this.readEvery = options.readEverySeconds ?? 0
    // What is read or asked once a minute cannot be heard more often.
    this.silentAfter = Math.max(options.silentAfterSeconds, 2.5 * this.readEvery)
    this.reopenAfter = this.firstReopenAfter()
    if (ports.power && options.powerCycle)
      this.cycling = new PowerCycling(options.powerCycle, ports.power, options.name, faults, ports.tell)
  }

  private firstReopenAfter(): number {
    return Math.max(this.options.reopenAfterSeconds, this.silentAfter)
  }

  /** What is known from before this start; to be told before the first pull. */
  restore(before: Before): void {
    this.rests.restore(before)
    if (before.cleanedAt !== undefined) this.cleanedAt = before.cleanedAt
  }

  /**
   * Takes what has come since the last pull. Never waits: opening and closing go on beside it.
   * @param atEdge a record ends here: the line is read although its own time has not come.
   */
  pull(now: MonoSeconds, atEdge = false): void {
    this.losses.look(now)
    if (!this.busy) this.movedAt = now
    if (this.cycling && !this.sleep.asleep && now - this.heardAt > this.silentAfter) this.cyclePower(now)
    if (this.busy) return
    if (!this.line) {
      if (now >= this.retryAt) this.open(now)
      return
    }
    if (this.sleep.asleep) return
    const due = now >= this.readDueAt - dueWithinSeconds
    if (!due && !atEdge) return
    if (this.read(now) === 'gone') return this.lose(now)
    if (due) this.afterRead(now)
    this.pulledAt = now
  }

  private afterRead(now: MonoSeconds): void {
    const next = addSeconds(this.readDueAt, this.readEvery)
    this.readDueAt = next > now ? next : addSeconds(now, this.readEvery)
    const { ask, clean } = this.options
    if (clean && now - this.cleanedAt >= clean.everySeconds) this.clean(clean.bytes, now)
    else if (ask) this.ask(ask, now)
    this.mindSilence(now)
  }

  private cyclePower(now: MonoSeconds): void {
    const run = this.cycling!.look(now, now - this.heardAt)
    if (!run) return
    this.powerLost = true
    this.rests.powerLost()
    this.track(run)
  }

  private ask(bytes: Uint8Array, now: MonoSeconds): void {
    this.askedAt = now
    this.send(bytes)
  }

  /** With the next reading; false where it has no such command or cannot be reached now. */
  cleanSoon(): boolean {
    if (!this.options.clean || !this.line || this.sleep.asleep) return false
    this.cleanedAt = -Infinity as MonoSeconds
    return true
  }

  /** The fan blows at full speed and stirs up what it blows away. */
  private clean(bytes: Uint8Array, now: MonoSeconds): void {
    this.cleanedAt = now
    this.send(bytes)
    this.screen.started(now)
    this.ports.tell('cleaning', { instrument: this.options.name })
  }

  private read(now: MonoSeconds): 'gone' | 'read' {
    for (let n = 0; n < readsPerPull; n++) {
      const bytes = this.line!.readAvailable()
      if (bytes === 'gone') return 'gone'
      if (bytes === 'nothing') {
        // A frame takes milliseconds; a part of one that waits through a whole quiet pull will not be finished.
        if (n === 0 && now - this.bytesAt > 2) this.decoder.dropPartial()
        break
      }
      this.bytesAt = now
      if (now - this.pulledAt > this.readEvery + staleAfterSeconds) this.stale += bytes.length
      else this.decode(bytes, now)
      if (bytes.length < emptiedBelowBytes) break
    }
    return 'read'
  }

  private decode(bytes: Uint8Array, now: MonoSeconds): void {
    const { frameBytes } = this.options
    const frames = frameBytes ? bytes.length / frameBytes : lineEnds(bytes)
    this.times.pulled(frames, Math.max(this.pulledAt, this.frameAt), now)
    this.bytesSinceFrame += bytes.length
    this.decoder.push(bytes)
  }

  private takeFrame(values: Float64Array, errorCode: number): void {
    const at = this.options.ask ? this.askedAt : this.times.next()
    if (this.silent || this.powerLost) this.frameBack(at)
    this.frameAt = at
    this.heardAt = this.bytesAt
    this.bytesSinceFrame = 0
    this.newest = values
    this.screen.judge(values, errorCode, at)
    this.minute.add(values, at, this.screen.exclusion, this.screen.marks, this.screen.spikeBefore)
  }

  /** Frames are back: the silence is over, and after a loss the sensor warms up anew. */
  private frameBack(at: MonoSeconds): void {
    this.silent = false
    this.faults.clear(this.options.name, 'sensor-silent', 'sensor-garbage')
    this.cycling?.notNeeded()
    this.reopenAfter = this.firstReopenAfter()
    if (!this.powerLost) return
    this.powerLost = false
    this.screen.started(at, this.rests.warmUpSeconds(at, this.framesEver ? this.frameAt : undefined))
    this.framesEver = true
  }

  private mindSilence(now: MonoSeconds): void {
    const silence = now - Math.max(this.heardAt, this.openedAt)
    if (silence < this.silentAfter) return
    this.silent = true
    const { name: where } = this.options
    const seconds = now - this.heardAt
    tellSilence(this.faults, { where, line: this.lines.name, seconds, bytes: this.bytesSinceFrame }, now)
    if (this.options.wake && now - this.wokenAt >= this.silentAfter) this.wake(now)
    if (silence < this.firstReopenAfter()) return
    this.powerLost = true
    if (silence < this.reopenAfter) return
    this.reopenAfter = Math.min(this.reopenAfter * 2, 20 * this.options.reopenAfterSeconds)
    this.close(now)
  }

  private wake(now: MonoSeconds): void {
    this.wokenAt = now
    this.send(this.options.wake!)
  }

  private send(bytes: Uint8Array): void {
    this.track(this.line!.write(bytes))
  }

  private open(now: MonoSeconds): void {
    this.busy = true
    this.track(
      this.lines.open().then((opened) => {
        this.busy = false
        if (opened.ok) this.opened(opened.value, now)
        else this.failOpen(opened.fault, now)
      }),
    )
  }

  private failOpen(fault: Fault, now: MonoSeconds): void {
    this.losses.failedToOpen(fault, now)
    this.retryAt = addSeconds(now, this.retrySeconds)
    this.retrySeconds = Math.min(this.retrySeconds * 2, this.options.longestRetrySeconds)
  }

  private opened(line: ByteLine, now: MonoSeconds): void {
    this.line = line
    this.retrySeconds = firstRetrySeconds
    this.pulledAt = now
    this.bytesAt = now
    this.decoder.lineOpened()
    this.openedAt = now
    this.readDueAt = now
    this.askedAt = now
    this.bytesSinceFrame = 0
    this.losses.opened()
    if (this.sleep.asleep) this.sendSleep()
    else if (this.options.wake) this.wake(now)
  }

  /** The sampling plan lets the sensor run, or puts it to sleep: it is not read then, and its silence is none. */
  run(on: boolean, now: MonoSeconds, onRequest = false): void {
    this.screen.surroundings.onRequest = onRequest
    this.sleep.supply(on, now)
    if (on === !this.sleep.asleep) return
    this.sleep.asleep = !on
    if (on) this.wakeUp(now)
    else this.fallAsleep(now)
  }

  private fallAsleep(now: MonoSeconds): void {
    this.minute.interrupted(now)
    this.rests.slept(this.sleep.keepsSupply)
    this.silent = false
    this.faults.clear(this.options.name, 'sensor-silent', 'sensor-garbage')
    if (this.line) this.sendSleep()
  }

  private sendSleep(): void {
    if (this.sleep.command) this.send(this.sleep.command)
  }

  /** What came while it slept is stale; silence counts from here, and its readings are warm-up. */
  private wakeUp(now: MonoSeconds): void {
    this.heardAt = now
    this.openedAt = now
    this.readDueAt = now
    this.powerLost = true
    this.reopenAfter = this.firstReopenAfter()
    this.decoder.lineOpened()
    if (this.line && this.options.wake) this.wake(now)
  }

  private lose(now: MonoSeconds): void {
    this.losses.lost(this.lines.name, now)
    this.powerLost = true
    this.rests.powerLost()
    this.close(now)
  }

  /** Closing is awaited before the next opening: the lock of the device lives as long as its descriptor. */
  private close(now: MonoSeconds): void {
    const line = this.line!
    this.line = undefined
    this.busy = true
    this.minute.interrupted(now)
    this.retryAt = addSeconds(now, this.retrySeconds)
    this.track(line.close().then(() => void (this.busy = false)))
  }

  /** Time was lost (the process was paused): the last reading covers nothing of it. */
  skipTo(now: MonoSeconds): void {
    this.minute.skipTo(now)
  }

  async stop(): Promise<void> {
    if (this.line && this.options.sleep) await this.line.write(this.options.sleep)
    await this.line?.close()
    this.line = undefined
  }

  closeMinute(at: MonoSeconds, plannedSeconds: number, into: Float64Array, offset: number): MinuteSeconds {
    const result = this.minute.close(at, plannedSeconds, into, offset)
    tellExcluded(this.faults, this.options.name, result, plannedSeconds, at)
    return result
  }

  /** The newest reading and how it was judged, for somebody who looks. */
  live(now: MonoSeconds): LiveReading {
    const { name, slot } = this.options
    const { newest: values, channels, screen } = this
    return liveReading({ name, slot, channels, screen, values, ageSeconds: now - this.frameAt }, now)
  }

  /** Its line has been opening or closing for so long. */
  hangsFor(now: MonoSeconds): number {
    return this.busy ? now - this.movedAt : 0
  }

  /** For who watches over weeks and minutes whether it measures. */
  get name(): string {
    return this.options.name
  }

  get slot(): string | undefined {
    return this.options.slot
  }

  get lineName(): string {
    return this.lines.name
  }

  /** Its PM2.5 with slot; undefined where it measures none. */
  get massKey(): string | undefined {
    return this.channels.find(({ name }) => name === 'pm2_5')?.key
  }

  lineCounts(): StageCounts {
    return this.decoder.counts()
  }

  /** `fresh`: frames have come since the start, and come now. Asleep by plan it is neither fresh nor silent. */
  silence(now: MonoSeconds): { readonly seconds: number; readonly fresh: boolean; readonly asleep: boolean } {
    const seconds = now - this.heardAt
    const { asleep } = this.sleep
    return { seconds, fresh: this.framesEver && !asleep && seconds < this.silentAfter, asleep }
  }

  /** Numbers for health. */
  report(now: MonoSeconds): Record<string, unknown> {
    return {
      name: this.options.name,
      open: this.line !== undefined,
      ...(this.sleep.asleep ? { asleep: true } : {}),
      newest_frame_age_s: Math.round(now - this.heardAt),
      losses: this.losses.total,
      stale_bytes: this.stale,
      decoder: this.decoder.counts(),
      screening: this.screen.counts(),
      marked: this.screen.markCounts(),
      ...(this.cycling ? { power_cycles: this.cycling.report(now) } : {}),
    }
  }
}

function lineEnds(bytes: Uint8Array): number {
  let ends = 0
  for (const byte of bytes) if (byte === 10) ends++
  return ends
}
