/**
 * Commands that came over the link: verified, their number written down and synced, then done one after the other.
 *
 * What may never happen: one runs twice. Hence the number is taken in memory before anything is waited for, its line is safe on
 * the disk before the act, and a start reads the numbers from lines. A cut between line and act loses the command, and who
 * asked gets no answer and asks again.
 */
import {
  utcText,
  type EventLine,
  type MonoSeconds,
  type StageCounts,
  type UtcMillis,
} from '../terms/terms.js'
import {
  judgeCommand,
  readCommand,
  type AnswerPlace,
  type Command,
  type CommandRefusal,
  type Signer,
} from '../uplink/uplink.js'
import { commandLineName } from './command-lines.js'
import { json } from './messages.js'

/** By which the desk knows what is answered: never part of what became of it. */
type HeadName = 'v' | 'key' | 'number' | 'boot' | 'at'

/** What became of a command. `afterwards` runs when the answer has left. */
export type Acted = { readonly ok: boolean; readonly words?: string; readonly [more: string]: unknown } & {
  readonly [name in HeadName]?: never
}
export interface Act {
  readonly answer: Acted
  readonly afterwards?: () => void
}

export interface CommandPorts {
  /** Whose signature counts now. */
  readonly signers: () => readonly Signer[]
  /** Lines outlive this start; where they do not, nothing is done that must not be done twice. */
  readonly keepsNumbers: boolean
}

export interface CommandHooks {
  readonly group: string
  readonly station: string
  readonly boot: string
  readonly mono: () => MonoSeconds
  readonly utcAt: (at: MonoSeconds) => UtcMillis | undefined
  readonly event: (at: MonoSeconds, name: string, details: Readonly<Record<string, string>>) => EventLine
  readonly whenSafe: () => Promise<boolean>
  readonly mayRead: (what: string) => boolean
  readonly act: (command: Command, by: string) => Promise<Act>
  readonly answer: (payload: Uint8Array, place: AnswerPlace) => Promise<void>
  /** Whether the newest connection hears commands; undefined before the first. */
  readonly heard: () => boolean | undefined
  readonly track: (work: Promise<unknown>) => void
  readonly after: (seconds: number) => Promise<void>
}

/** How it stands about commands. Whose keys these are is nobody's business who reads health: their number. */
export interface CommandStanding extends StageCounts {
  readonly keys: number
  /** Absent before the first connection. */
  readonly heard?: boolean
}

export type Refusal = CommandRefusal | 'retained' | 'too-many' | 'not-safe'

/** In a minute; more is a flood, which costs neither the processor nor the card. */
const mostAMinute = 30
const mostWaiting = 8
/** What is done after the answer waits for it no longer. */
const answerLimitSeconds = 20

const words: Readonly<Partial<Record<Refusal, string>>> = {
  'other-boot': 'meant for another boot of this board',
  'too-early': 'its time has not come by the clock of the station',
  'too-late': 'its time is over by the clock of the station',
  replayed: 'this number, or a higher one, was there before',
  'not-allowed': 'this key may only ask for health',
  'too-many': 'too many commands at once',
  'not-safe': 'not done: its number cannot be kept while the disk fails',
}

export class CommandWatch {
  /** The highest number of each key. */
  private readonly numbers = new Map<string, number>()
  private readonly refused: Partial<Record<Refusal, number>> = {}
  private taken = 0
  private done = 0
  private waiting = 0
  private last: Promise<void> = Promise.resolve()
  private minuteFrom = -Infinity
  private inMinute = 0

  constructor(
    private readonly ports: CommandPorts,
    private readonly hooks: CommandHooks,
  ) {}

  restore(numbers: ReadonlyMap<string, number>): void {
    for (const [key, number] of numbers) this.numbers.set(key, number)
  }

  /** For the checkpoint. */
  save(): Record<string, number> {
    return Object.fromEntries(this.numbers)
  }

  wanted(): boolean {
    return this.ports.signers().length > 0
  }

  busy(): boolean {
    return this.waiting > 0
  }

  take(payload: Uint8Array, place: AnswerPlace, retained: boolean): void {
    this.taken++
    if (retained) return this.refuse('retained')
    if (this.isFlood()) return this.refuse('too-many')
    const { group, station } = this.hooks
    const read = readCommand(payload, { group, station }, this.ports.signers())
    if (!read.ok) return this.refuse(read.reason)
    const reason = this.judge(read)
    if (reason) return this.refuseTold(reason, read.command, place)
    this.numbers.set(read.command.key, read.command.number)
    this.waiting++
    this.last = this.last.then(() => this.run(read, place))
    this.hooks.track(this.last)
  }

  private isFlood(): boolean {
    const now = this.hooks.mono()
    if (now - this.minuteFrom >= 60) {
      this.minuteFrom = now
      this.inMinute = 0
    }
    return ++this.inMinute > mostAMinute
  }

  private judge(read: { readonly command: Command; readonly signer: Signer }): Refusal | undefined {
    const { boot, mono, utcAt, mayRead } = this.hooks
    const lastNumber = this.numbers.get(read.command.key) ?? 0
    const reason = judgeCommand(read, { boot, utc: utcAt(mono()), lastNumber, mayRead })
    if (reason) return reason
    if (!this.ports.keepsNumbers) return 'not-safe'
    return this.waiting >= mostWaiting ? 'too-many' : undefined
  }

  private refuse(reason: Refusal): void {
    this.refused[reason] = (this.refused[reason] ?? 0) + 1
  }

  /** Only who signed rightly is answered; a message that the broker gave twice is not, its answer is on its way. */
  private refuseTold(reason: Refusal, command: Command, place: AnswerPlace): void {
    this.refuse(reason)
    if (reason === 'replayed' && command.number === this.numbers.get(command.key)) return
    void this.say({ ok: false, refused: reason, words: words[reason] }, command, place)
  }

  private async run(
    { command, signer }: { readonly command: Command; readonly signer: Signer },
    place: AnswerPlace,
  ): Promise<void> {
    const { event, mono, whenSafe, act } = this.hooks
    const { key, number } = command
    event(mono(), commandLineName, { key, number: String(number), by: signer.name, do: command.do })
    const isSafe = await whenSafe()
    const { answer, afterwards }: Act = isSafe
      ? await act(command, signer.name)
      : { answer: { ok: false, refused: 'not-safe', words: words['not-safe'] } }
    this.waiting--
    if (isSafe) this.done++
    else this.refuse('not-safe')
    const said = this.say(answer, command, place)
    if (!afterwards) return
    // Not tracked: what comes after may end the station, which waits for what is.
    void Promise.race([said, this.hooks.after(answerLimitSeconds)]).then(afterwards)
  }

  private say(answer: Acted, { key, number }: Command, place: AnswerPlace): Promise<void> {
    const { boot, mono, utcAt } = this.hooks
    const utc = utcAt(mono())
    const head = { v: 1, key, number, boot, ...(utc === undefined ? {} : { at: utcText(utc) }) }
    return this.hooks.answer(json({ ...head, ...answer }), place)
  }

  /** Undefined where nobody's signature counts. */
  standing(): CommandStanding | undefined {
    const keys = this.ports.signers().length
    const heard = this.hooks.heard()
    return keys === 0 ? undefined : { keys, ...(heard === undefined ? {} : { heard }), ...this.counts() }
  }

  /** Given: done, well or not. Held: waiting for their turn. */
  counts(): StageCounts {
    return { taken: this.taken, given: this.done, held: this.waiting, refused: { ...this.refused } }
  }
}
