import type { Layout, RecordedChunk } from '../instruments/instruments.js'
import {
  addSeconds,
  secondsBetween,
  type ByteLine,
  type Clock,
  type Fault,
  type LineFactory,
  type MonoSeconds,
  type Outcome,
  type UtcMillis,
} from '../terms/terms.js'
import { fewBytes, judge, soundOrder, type Judgement } from './listen-judge.js'
import type { Ask, Plan, Trial } from './listen-plan.js'

/** What the search needs of the world. */
export interface SearchPorts {
  readonly clock: Clock
  lineAt(baud: number | undefined): LineFactory
  /** A recording ends, and takes no command. */
  readonly replayed: boolean
  /** A person wants it to end. */
  readonly signal: AbortSignal
  progress(words: string): void
}

/** What came at one speed. */
export interface Attempt {
  readonly trial: Trial
  readonly startedAt: UtcMillis
  readonly seconds: number
  readonly chunks: readonly RecordedChunk[]
  readonly asked: boolean
  /** A command could not be sent. */
  readonly askFault?: Fault
  readonly lost: boolean
  readonly judgement: Judgement
}

export interface Search {
  readonly attempts: readonly Attempt[]
  /** Why the port could not be opened, at the first speed where it could not. */
  readonly fault?: Fault
  readonly stopped: boolean
}

/** A line is listened to no longer than it takes to fill this. */
export const mostHeard = 1_048_576
const pullEverySeconds = 0.1
const askEverySeconds = 1
/** Where a first frame came in the last moment it is waited for more, so many times the planned time in all. */
const patience = 3

/** Listens at one speed after the other until something speaks that leaves no doubt about the speed. */
export async function search(plan: Plan, ports: SearchPorts): Promise<Search> {
  const attempts: Attempt[] = []
  let fault: Fault | undefined
  for (const trial of [...plan.trials, ...plan.further]) {
    if (plan.further.includes(trial) && !attempts.some(isUnread)) break
    const line = await openUnlessStopped(ports.lineAt(trial.baud), ports.signal)
    if (line === 'stopped') break
    if (!line.ok) {
      // An adapter may not know every speed; one that is missing will not be there at the next speed either.
      fault ??= line.fault
      if (line.fault.code === 'port-failed') continue
      break
    }
    const before = attempts.flatMap((one) => (one.asked ? one.trial.asks : []))
    attempts.push(await new Hearing(trial, plan, ports, line.value, before).whole())
    if (speedIsRight(attempts[attempts.length - 1])) break
  }
  return { attempts, stopped: ports.signal.aborted, ...(fault ? { fault } : {}) }
}

/** Opening may take seconds (TCP); a person who ends it does not wait for that. */
async function openUnlessStopped(
  lines: LineFactory,
  signal: AbortSignal,
): Promise<Outcome<ByteLine> | 'stopped'> {
  if (signal.aborted) return 'stopped'
  const opening = lines.open()
  const stopped = new Promise<'stopped'>((resolve) =>
    signal.addEventListener('abort', () => resolve('stopped'), { once: true }),
  )
  const first = await Promise.race([opening, stopped])
  if (first === 'stopped') void opening.then((late) => (late.ok ? late.value.close() : undefined))
  return first
}

const isUnread = ({ judgement }: Attempt): boolean =>
  judgement.sound === 'noise' && judgement.bytes.length >= fewBytes && judgement.held === undefined

/** Broken frames may be noise that looks like it, so the other speeds are heard too. */
const speedIsRight = ({ judgement, lost }: Attempt): boolean =>
  lost || !['damaged', 'echo', 'noise', 'nothing'].includes(judgement.sound)

/** The attempt that tells most. */
export function bestAttempt(attempts: readonly Attempt[]): Attempt | undefined {
  const rank = ({ judgement }: Attempt): number => soundOrder.indexOf(judgement.sound)
  return [...attempts].sort(
    (a, b) => rank(a) - rank(b) || b.judgement.bytes.length - a.judgement.bytes.length,
  )[0]
}

/** One line from its opening to its closing. */
class Hearing {
  private readonly chunks: RecordedChunk[] = []
  private readonly from: MonoSeconds
  private readonly startedAt: UtcMillis
  private readonly layouts: readonly Layout[]
  private judgement: Judgement
  private heardBytes = 0
  private asked = false
  private askFault: Fault | undefined
  private lost = false

  constructor(
    private readonly trial: Trial,
    private readonly plan: Plan,
    private readonly ports: SearchPorts,
    private readonly line: ByteLine,
    /** Sent at other speeds: their echo may still be under way. */
    private readonly askedBefore: readonly Ask[],
  ) {
    this.layouts = plan.layouts
    this.from = ports.clock.mono()
    this.startedAt = ports.clock.utc().at
    this.judgement = judge(new Uint8Array(0), [], this.layouts)
  }

  async whole(): Promise<Attempt> {
    try {
      await this.listenOn()
      this.asked = this.isWorthAsking()
      if (this.asked) await this.listenOn()
    } finally {
      await this.line.close()
    }
    const seconds = this.now()
    const { trial, startedAt, chunks, asked, askFault, lost, judgement } = this
    return { trial, startedAt, seconds, chunks, asked, lost, judgement, ...(askFault ? { askFault } : {}) }
  }

  /** Whatever sends by itself needs no waking, and a console would take commands for typing. */
  private isWorthAsking(): boolean {
    const { bytes, sound } = this.judgement
    const quiet = bytes.length < fewBytes && sound !== 'frames'
    return quiet && this.trial.asks.length > 0 && !this.over()
  }

  private async listenOn(): Promise<void> {
    const { trial, ports } = this
    const { seconds } = trial
    const end = addSeconds(ports.clock.mono(), seconds)
    const latest = addSeconds(end, (patience - 1) * seconds)
    let askAt = ports.clock.mono()
    for (;;) {
      const now = ports.clock.mono()
      if (this.asked && now >= askAt) {
        askAt = addSeconds(now, Math.min(askEverySeconds, seconds / 4))
        await this.ask()
      }
      const came = this.pull()
      if (this.over() || (ports.replayed && !came)) return
      if (now >= (this.isPromising() ? latest : end) || (this.isCertain() && !this.plan.wholeTime)) return
      ports.progress(this.progressWords())
      if (!ports.replayed) await ports.clock.after(Math.min(pullEverySeconds, seconds / 10))
    }
  }

  private over(): boolean {
    return this.lost || this.heardBytes >= mostHeard || this.ports.signal.aborted
  }

  /** Frames came, but too few to be certain. */
  private isPromising(): boolean {
    return this.judgement.sound === 'frames' && !this.isCertain()
  }

  private isCertain(): boolean {
    return this.judgement.candidates[0]?.sure === 'certain'
  }

  /** Takes what has come; false when nothing has. */
  private pull(): boolean {
    let came = false
    while (this.heardBytes < mostHeard) {
      const bytes = this.line.readAvailable()
      if (bytes === 'gone') this.lost = true
      if (typeof bytes === 'string') break
      came = true
      this.chunks.push({ seconds: this.now(), bytes: bytes.slice() })
      this.heardBytes += bytes.length
    }
    if (came) this.judgement = judge(joined(this.chunks), this.sent(), this.layouts)
    return came
  }

  private sent(): Uint8Array[] {
    const asks = this.asked ? [...this.askedBefore, ...this.trial.asks] : this.askedBefore
    return asks.map(({ bytes }) => bytes)
  }

  private async ask(): Promise<void> {
    for (const { bytes } of this.asksNow()) {
      const sent = await this.line.write(bytes)
      if (!sent.ok) this.askFault = sent.fault
    }
  }

  /** One that answers is not started again and again; one that sends by itself is left alone. */
  private asksNow(): readonly Ask[] {
    const { candidates, sound } = this.judgement
    const polled = candidates.length > 0 && candidates.every(({ layout }) => layout.mode === 'polled')
    if (polled) return this.trial.asks.filter(({ name }) => name === 'read')
    return sound === 'frames' ? [] : this.trial.asks
  }

  private now(): number {
    return secondsBetween(this.from, this.ports.clock.mono())
  }

  private progressWords(): string {
    const at = this.trial.baud === undefined ? '' : `${this.trial.baud} baud: `
    const what = this.asked ? 'commands sent, listening' : 'listening'
    return `${at}${what}, ${this.now().toFixed(0)} s, ${this.heardBytes} bytes`
  }
}

export const joined = (chunks: readonly RecordedChunk[]): Uint8Array =>
  Buffer.concat(chunks.map(({ bytes }) => bytes))
