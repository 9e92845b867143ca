import { bad, done, type Fault, type Outcome } from '../terms/terms.js'
import { wakeWords, type Answer, type Ask } from './modem-answers.js'
import { errorFault, errorWords } from './modem-errors.js'
import type { ModemPort } from './modem-port.js'

const usualLimitSeconds = 5
const wakeLimitSeconds = 2
const wakeTries = 2
const againSeconds = 2
/** A pause ends so soon after the agent was told to stop. */
const pauseStepSeconds = 0.5
/** A modem that resets is away for ten to twenty seconds (common practice, no source). */
const mostMissingSeconds = 30
/** Waiting cures none of these. */
const hopeless = ['port-denied', 'port-not-serial']

/** One attempt's talk with the modem: nothing in it lasts longer than the attempt may. */
export class Talk {
  constructor(
    private readonly port: ModemPort,
    private endSeconds: number,
  ) {}

  get name(): string {
    return this.port.name
  }

  get leftSeconds(): number {
    return this.port.isEnded ? 0 : Math.max(0, this.endSeconds - this.port.time.nowSeconds())
  }

  ask(text: string, more: Partial<Ask> = {}): Promise<Answer> {
    const limitSeconds = Math.min(this.leftSeconds, more.limitSeconds ?? usualLimitSeconds)
    return this.port.ask({ text, ...more, limitSeconds })
  }

  async pause(seconds: number): Promise<void> {
    const { time } = this.port
    const end = time.nowSeconds() + seconds
    for (let left = seconds; left > 0 && this.leftSeconds > 0; left = end - time.nowSeconds())
      await time.sleep(Math.min(left, this.leftSeconds, pauseStepSeconds))
  }

  /** Hears out what still comes. */
  settle(): Promise<void> {
    return this.port.settle()
  }

  private giveUp(): void {
    this.endSeconds = this.port.time.nowSeconds()
  }

  /**
   * Gets the modem to answer: asks, leaves a prompt that it may wait at, opens the port anew (by its name, so that a modem
   * that came back as another device is found). Faults: sms-port, sms-silent.
   */
  async wake(): Promise<Outcome<void>> {
    const missingUntil = this.port.time.nowSeconds() + mostMissingSeconds
    let last: Outcome<void> = bad('sms-silent', `${this.name}: no time was left`)
    while (this.leftSeconds > 0) {
      const opened = await this.port.open()
      if (opened.ok) {
        if (await this.answers()) return done
        last = bad('sms-silent', this.name)
        await this.port.shutNow()
      } else {
        last = bad('sms-port', portWords(opened.fault))
        const isLate = this.port.time.nowSeconds() >= missingUntil
        if (isLate || hopeless.includes(opened.fault.code)) this.giveUp()
      }
      await this.pause(againSeconds)
    }
    return last
  }

  private async answers(): Promise<boolean> {
    for (let tried = 0; tried < 2 * wakeTries; tried++) {
      if (tried === wakeTries) await this.port.escape()
      const answer = await this.ask(wakeWords, { limitSeconds: wakeLimitSeconds })
      if (answer.kind === 'gone') return false
      if (answer.kind === 'silent') continue
      await this.port.settle()
      if (answer.kind === 'ok') return true
    }
    return false
  }
}

const portWords = ({ code, detail }: Fault): string => `${detail} (${code})`

/** The fault that an answer other than OK is. */
export function answerFault(talk: Talk, answer: Exclude<Answer, { kind: 'ok' }>): Outcome<never> {
  if (answer.kind === 'gone') return bad('sms-port', `${talk.name}: the line was lost`)
  if (answer.kind === 'silent') return bad('sms-silent', talk.name)
  const { family, number, said } = answer
  const words = family && number === undefined ? said : errorWords(family, number)
  return bad(errorFault(family, number), words)
}

/** The first line of an answer behind its prefix; undefined where the modem gave none. */
export const answered = (answer: Answer, prefix: string): string | undefined =>
  answer.kind === 'ok' ? answer.lines[0]?.slice(prefix.length).trim() : undefined
