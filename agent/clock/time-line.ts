import {
  addSeconds,
  addUtcSeconds,
  secondsBetween,
  type ByteLine,
  type LineFactory,
  type MonoSeconds,
} from '../terms/terms.js'
import { agree, type AnchorPoint } from './claims.js'
import type { ClockReading } from './rmc.js'

export interface TimeLineOptions {
  /** 'satellite' or 'modem': the source of its anchors. */
  readonly source: string
  readonly line: LineFactory
  /** Reads one line of text; undefined for one that says nothing of time. */
  readonly read: (text: string) => ClockReading | undefined
  /** What makes it answer; absent: it speaks by itself. */
  readonly ask?: Uint8Array
  /** How old its time is when it comes, on the average. */
  readonly lateSeconds: number
  /** Its time may be wrong by so much besides the wait for it. */
  readonly errorSeconds: number
  readonly everySeconds: number
}

/** How often it is tried while the last attempt gave nothing. */
const againAfterSeconds = 120
const askEverySeconds = 2
/** A receiver that looks for its satellites needs a while; a modem answers at once or not. */
const mostListenedSeconds = 60
/** An unfinished line longer than this is noise. */
const longestText = 200

interface Listening {
  readonly line: ByteLine
  readonly since: MonoSeconds
  pulledAt: MonoSeconds
  askedAt?: MonoSeconds
  text: string
  before?: AnchorPoint
  why?: string
}

/**
 * A line that tells the time now and then: opened when it is due, pulled with the station's tick until two answers fit each
 * other, closed again. A line that lies is heard twice at most and then judged by the clock like any other.
 */
export class TimeLine {
  private dueAt: MonoSeconds
  private listening: Listening | undefined
  private opening = false

  /** @param tell what it said, or why it said nothing, in words */
  constructor(
    private readonly options: TimeLineOptions,
    now: MonoSeconds,
    private readonly track: (work: Promise<unknown>) => void,
    private readonly tell: (
      now: MonoSeconds,
      news: { readonly claim: AnchorPoint } | { readonly silent: string },
    ) => void,
  ) {
    this.dueAt = now
  }

  /** With every tick; nothing happens while none is due. */
  tick(now: MonoSeconds): void {
    if (this.listening) this.pull(this.listening, now)
    else if (now >= this.dueAt && !this.opening) this.open(now)
  }

  async stop(): Promise<void> {
    this.dueAt = addSeconds(this.dueAt, Infinity)
    await this.listening?.line.close()
    this.listening = undefined
  }

  private open(now: MonoSeconds): void {
    this.opening = true
    const opened = this.options.line.open().then((outcome) => {
      this.opening = false
      if (!outcome.ok) return this.give(now, { silent: `the port cannot be opened (${outcome.fault.code})` })
      if (this.dueAt === Infinity) return outcome.value.close()
      this.listening = { line: outcome.value, since: now, pulledAt: now, text: '' }
      return undefined
    })
    this.track(opened)
  }

  private pull(listening: Listening, now: MonoSeconds): void {
    const { line, since, why } = listening
    const bytes = line.readAvailable()
    if (bytes === 'gone') return this.end(now, { silent: 'the line was lost' })
    if (bytes !== 'nothing') this.take(listening, bytes, now)
    if (!this.listening) return
    listening.pulledAt = now
    if (secondsBetween(since, now) >= mostListenedSeconds)
      return this.end(now, { silent: why ?? 'nothing that tells the time came' })
    this.ask(listening, now)
  }

  private ask(listening: Listening, now: MonoSeconds): void {
    const { ask } = this.options
    const { askedAt, line } = listening
    if (!ask || (askedAt !== undefined && secondsBetween(askedAt, now) < askEverySeconds)) return
    listening.askedAt = now
    this.track(line.write(ask))
  }

  private take(listening: Listening, bytes: Uint8Array, now: MonoSeconds): void {
    const texts = (listening.text + Buffer.from(bytes).toString('latin1')).split(/[\r\n]+/)
    listening.text = texts.pop()!.slice(-longestText)
    const readings = texts.flatMap((text) => this.options.read(text) ?? [])
    const newest = readings.at(-1)
    if (!newest) return
    if (!newest.ok) {
      listening.why = newest.why
      listening.before = undefined
      return
    }
    const claim = this.claimOf(newest.utc, listening, now)
    const { before } = listening
    // Two answers that fit each other are believed, one is not.
    if (before && agree(before, claim, now)) return this.end(now, { claim })
    listening.before = claim
  }

  /** What was read came at some time since the last pull: its middle is taken, half of it is error. */
  private claimOf(utc: AnchorPoint['utc'], { pulledAt }: Listening, now: MonoSeconds): AnchorPoint {
    const halfSeconds = secondsBetween(pulledAt, now) / 2
    const { source, errorSeconds, lateSeconds } = this.options
    return {
      mono: now,
      utc: addUtcSeconds(utc, halfSeconds + lateSeconds),
      source,
      errorSeconds: errorSeconds + halfSeconds,
    }
  }

  private end(now: MonoSeconds, news: Parameters<TimeLine['tell']>[1]): void {
    this.track(this.listening!.line.close())
    this.listening = undefined
    this.give(now, news)
  }

  private give(now: MonoSeconds, news: Parameters<TimeLine['tell']>[1]): void {
    const { everySeconds } = this.options
    this.dueAt = addSeconds(now, 'claim' in news ? everySeconds : Math.min(everySeconds, againAfterSeconds))
    this.tell(now, news)
  }
}
