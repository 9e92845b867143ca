import type { BrokerSession, Message, Outcome } from '../terms/terms.js'
import { topicOf } from './topics.js'

/** Answers that wait for a connection; of more the oldest are dropped and counted. */
const mostWaiting = 8
const mostInFlight = 2
const longestCorrelationBytes = 256

/** Where the answer to a request goes. */
export interface AnswerPlace {
  readonly correlation?: Uint8Array
}

interface Answer extends AnswerPlace {
  readonly payload: Uint8Array
  readonly settled: () => void
}

/** Who takes commands. Both are asked often and must be quick. */
export interface CommandTaker {
  /** False: nobody's signature counts here, and the topic is not asked for. */
  wanted(): boolean
  take(payload: Uint8Array, place: AnswerPlace, retained: boolean): void
  /** True while an answer is to be expected: a connection waits for it. */
  busy(): boolean
}

/**
 * The topic `command` of one station and the answers on `reply`. An answer goes there whatever the request names as response
 * topic: that is not signed, and a station says nothing anywhere else. The correlation data is sent back as it came.
 */
export class CommandLine {
  taker: CommandTaker | undefined
  dropped = 0
  /** Whether the broker let the newest connection hear them; undefined before the first. */
  heard: boolean | undefined
  private waiting: Answer[] = []
  private inFlight = 0

  constructor(
    private readonly options: { readonly group: string; readonly station: string },
    private readonly onAnswer: () => void,
  ) {}

  /** The topic to hear; undefined where no command would be taken. */
  get topic(): string | undefined {
    return this.taker?.wanted() ? this.topicOf('command') : undefined
  }

  private topicOf(what: string): string {
    return topicOf(this.options.group, this.options.station, what)
  }

  /** True: it was a command, or came to where commands come. */
  hear({ topic, payload, retained, correlation }: Message): boolean {
    if (topic !== this.topicOf('command')) return false
    const fits = correlation !== undefined && correlation.length <= longestCorrelationBytes
    this.taker?.take(payload, fits ? { correlation } : {}, retained)
    return true
  }

  /** Resolves when the answer has left, or never will. */
  answer(payload: Uint8Array, place: AnswerPlace): Promise<void> {
    return new Promise((settled) => {
      this.waiting.push({ ...place, payload, settled })
      if (this.waiting.length > mostWaiting) {
        this.dropped++
        this.waiting.shift()!.settled()
      }
      this.onAnswer()
    })
  }

  /** Sends the next that waits, if one may go. What the link loses waits again; what the broker refuses is dropped. */
  publish(session: BrokerSession): Promise<Outcome<void>> | undefined {
    if (this.inFlight >= mostInFlight) return undefined
    const answer = this.waiting.shift()
    if (!answer) return undefined
    this.inFlight++
    const { payload, correlation } = answer
    return session.publish(this.topicOf('reply'), payload, { retain: false, correlation }).then((outcome) => {
      this.inFlight--
      if (!outcome.ok && outcome.fault.code === 'link-lost') this.waiting.unshift(answer)
      else this.settle(answer, outcome.ok)
      return outcome
    })
  }

  private settle(answer: Answer, went: boolean): void {
    if (!went) this.dropped++
    answer.settled()
  }

  get idle(): boolean {
    return this.waiting.length === 0 && this.inFlight === 0 && this.taker?.busy() !== true
  }
}
