import type { Decoder, ReadingSink } from '../instruments/instruments.js'
import { InstrumentMinute, type MinuteSeconds } from '../minutes/minutes.js'
import { Screen, type ScreeningOptions } from '../screening/screening.js'
import {
  addSeconds,
  faultCatalogue,
  monoSeconds,
  type ByteLine,
  type Channel,
  type FaultCode,
  type LineFactory,
  type MonoSeconds,
} from '../terms/terms.js'
import type { FaultBoard } from '../health/health.js'
import { LineLosses } from './line-losses.js'

export interface InstrumentOptions {
  /** For people and as the place of its faults, e.g. 'sensor 1'. */
  readonly name: string
  readonly slot?: string
  readonly screening: ScreeningOptions
  /** Rough length of a frame in bytes, to spread the frames of one pull over its time; 0: count line ends. */
  readonly frameBytes: number
  /** Sent after each opening, and again every `silentAfterSeconds` while nothing comes. */
  readonly wake?: Uint8Array
  /** Asks for one reading, where the sensor does not send by itself. */
  readonly ask?: Uint8Array
  readonly silentAfterSeconds: number
  readonly reopenAfterSeconds: number
  /** Attempts to open come ever more slowly, down to one in so many seconds. */
  readonly longestRetrySeconds: number
}

/** A device that came back is found within five seconds; looking for it costs one system call. */
export const usualSilence = { silentAfterSeconds: 10, reopenAfterSeconds: 30, longestRetrySeconds: 5 }

const readsPerPull = 4
/** A read that brought less has emptied the line: asking again would cost a system call and an exception. */
const emptiedBelowBytes = 1024
/** Bytes that waited longer than this (the process was paused) have no time any more: counted, not used. */
const staleAfterSeconds = 15
const firstRetrySeconds = 1
/** Those of an opening that failed; what `LineLosses` tells is its own. */
const openFaults = (Object.keys(faultCatalogue) as FaultCode[]).filter(
  (code) => /^(port|line)-/.test(code) && code !== 'port-gone' && code !== 'port-unsteady',
)

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
  private retryAt: MonoSeconds
  private retrySeconds = firstRetrySeconds
  private pulledAt: MonoSeconds
  private frameAt: MonoSeconds
  private bytesSinceFrame = 0
  private bytesAt: MonoSeconds
  private wokenAt = -Infinity
  private reopenAfter: number
  private openedAt: MonoSeconds
  private silent = false
  /** The sensor may have been without power: its next readings are warm-up. */
  private powerLost = true
  private framesDue = 1
  private framesSeen = 0
  private pullFrom = 0
  private pullNow = 0
  private stale = 0
  private readonly losses: LineLosses

  constructor(
    private readonly options: InstrumentOptions,
    private readonly lines: LineFactory,
    makeDecoder: (sink: ReadingSink) => Decoder,
    private readonly faults: FaultBoard,
    private readonly track: (work: Promise<unknown>) => void,
    now: MonoSeconds,
  ) {
    this.decoder = makeDecoder((values, errorCode) => this.takeFrame(values, errorCode))
    this.channels = this.decoder.channels
    this.screen = new Screen(this.channels, this.decoder.sizeOrder, options.screening)
    this.minute = new InstrumentMinute(this.channels, now, options.screening.capMicrogramsPerM3)
    this.losses = new LineLosses(options.name, faults)
    this.retryAt = now
    this.pulledAt = now
    this.frameAt = now
    this.bytesAt = now
    this.openedAt = now
    this.reopenAfter = options.reopenAfterSeconds
  }

  /** Takes what has come since the last pull. Never waits: opening and closing go on beside it. */
  pull(now: MonoSeconds): void {
    this.losses.look(now)
    if (this.busy) return
    if (!this.line) {
      if (now >= this.retryAt) this.open(now)
      return
    }
    const got = this.read(now)
    if (got === 'gone') return this.lose(now)
    if (this.options.ask) this.send(this.options.ask)
    this.mindSilence(now)
    this.pulledAt = now
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
      if (now - this.pulledAt > staleAfterSeconds) this.stale += bytes.length
      else this.decode(bytes, now)
      if (bytes.length < emptiedBelowBytes) break
    }
    return 'read'
  }

  private decode(bytes: Uint8Array, now: MonoSeconds): void {
    this.framesDue = Math.max(
      1,
      this.options.frameBytes ? bytes.length / this.options.frameBytes : lineEnds(bytes),
    )
    this.framesSeen = 0
    this.pullFrom = Math.max(this.pulledAt, this.frameAt)
    this.pullNow = now
    this.bytesSinceFrame += bytes.length
    this.decoder.push(bytes)
  }

  /** The frames of one pull share the time since the last one: which came when inside it, nobody knows. */
  private takeFrame(values: Float64Array, errorCode: number): void {
    this.framesSeen++
    const share = this.framesSeen >= this.framesDue ? 1 : this.framesSeen / this.framesDue
    const at = monoSeconds(this.pullFrom + share * (this.pullNow - this.pullFrom))
    if (this.silent || this.powerLost) this.frameBack(at)
    this.frameAt = at
    this.bytesSinceFrame = 0
    this.screen.judge(values, errorCode, at)
    this.minute.add(values, at, this.screen.exclusion, this.screen.marks, this.screen.spikeBefore)
  }

  /** Frames are back: the silence is over, and after a loss the sensor warms up anew. */
  private frameBack(at: MonoSeconds): void {
    this.silent = false
    this.faults.clear(this.options.name, 'sensor-silent', 'sensor-garbage')
    this.reopenAfter = this.options.reopenAfterSeconds
    if (!this.powerLost) return
    this.powerLost = false
    this.screen.started(at)
  }

  private mindSilence(now: MonoSeconds): void {
    const silence = now - Math.max(this.frameAt, this.openedAt)
    if (silence < this.options.silentAfterSeconds) return
    this.silent = true
    this.tellSilence(now)
    if (this.options.wake && now - this.wokenAt >= this.options.silentAfterSeconds) this.wake(now)
    if (silence < this.options.reopenAfterSeconds) return
    this.powerLost = true
    if (silence < this.reopenAfter) return
    this.reopenAfter = Math.min(this.reopenAfter * 2, 20 * this.options.reopenAfterSeconds)
    this.close(now)
  }

  private tellSilence(now: MonoSeconds): void {
    const garbage = this.bytesSinceFrame > 0
    const [code, other]: FaultCode[] = garbage
      ? ['sensor-garbage', 'sensor-silent']
      : ['sensor-silent', 'sensor-garbage']
    const what = garbage ? `${this.bytesSinceFrame} bytes and no whole frame` : 'no frame'
    this.faults.clear(this.options.name, other)
    this.faults.raise(
      this.options.name,
      { code, detail: `${this.lines.name}: ${what} for ${Math.round(now - this.frameAt)} s` },
      now,
    )
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
        if (!opened.ok) return this.failOpen(opened.fault.code, opened.fault.detail, now)
        this.opened(opened.value, now)
      }),
    )
  }

  private failOpen(code: FaultCode, detail: string, now: MonoSeconds): void {
    const told = this.losses.explains(code, detail, now) ? undefined : code
    this.faults.clear(this.options.name, ...openFaults.filter((other) => other !== told))
    if (told) this.faults.raise(this.options.name, { code: told, detail }, now)
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
    this.bytesSinceFrame = 0
    this.faults.clear(this.options.name, ...openFaults)
    this.losses.back()
    if (this.options.wake) this.wake(now)
  }

  private lose(now: MonoSeconds): void {
    this.losses.lost(this.lines.name, now)
    this.powerLost = true
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
    await this.line?.close()
    this.line = undefined
  }

  closeMinute(at: MonoSeconds, plannedSeconds: number, into: Float64Array, offset: number): MinuteSeconds {
    return this.minute.close(at, plannedSeconds, into, offset)
  }

  /** Numbers for health. */
  report(now: MonoSeconds): Record<string, unknown> {
    return {
      name: this.options.name,
      open: this.line !== undefined,
      newest_frame_age_s: Math.round(now - this.frameAt),
      losses: this.losses.total,
      stale_bytes: this.stale,
      decoder: this.decoder.counts(),
      screening: this.screen.counts(),
      marked: this.screen.markCounts(),
    }
  }
}

function lineEnds(bytes: Uint8Array): number {
  let ends = 0
  for (const byte of bytes) if (byte === 10) ends++
  return ends
}
