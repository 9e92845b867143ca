/** What is asked of the modem beside sending: SMS that came in, and how it stands with its network. Often only where it matters. */
import type { Fault, FaultCode, IncomingText, MonoSeconds, Outcome } from '../terms/terms.js'
import type { DeliveryPorts } from './contracts.js'

export type LinkWord = 'up' | 'down' | 'not used'

export interface ModemPorts {
  /** SMS that came since the last call, read and deleted; those before a fault are heard all the same. */
  readonly texts: (heard: (text: IncomingText) => void) => Promise<Outcome<unknown>>
  /** SIM, network and signal in one line for people; `link` is whether data gets through. */
  readonly standing: (link: LinkWord) => Promise<Outcome<string>>
}

export interface ModemStanding {
  readonly words: string
  readonly age_s: number
}

interface TalkHooks {
  readonly mono: () => MonoSeconds
  readonly faults: DeliveryPorts['faults']
  /** False while the modem has no power. */
  readonly isUp: (now: MonoSeconds) => boolean
  readonly link: (now: MonoSeconds) => LinkWord
  /** An answer to an alert is to be expected. */
  readonly mayBeAnswered: () => boolean
  readonly heard: (text: IncomingText) => void
  readonly track: (work: Promise<unknown>) => void
}

/** Each asking is a second of talk with the modem. */
const everySeconds = 300
const soonSeconds = 60
const standingEverySeconds = 3600
const where = 'modem'

export class ModemTalk {
  private askAt = 0
  private asking = false
  private stood: { readonly words: string; readonly at: MonoSeconds; readonly link: LinkWord } | undefined
  private raised: FaultCode | undefined

  constructor(
    private readonly ports: ModemPorts,
    private readonly hooks: TalkHooks,
  ) {}

  askSoon(now: MonoSeconds): void {
    this.askAt = Math.min(this.askAt, now + soonSeconds)
  }

  /** With each pull; does nothing most of the time. */
  step(now: MonoSeconds): void {
    const { isUp, mayBeAnswered, track } = this.hooks
    if (now < this.askAt || this.asking || !isUp(now)) return
    this.asking = true
    this.askAt = now + (mayBeAnswered() ? soonSeconds : everySeconds)
    track(this.ask().finally(() => (this.asking = false)))
  }

  private async ask(): Promise<void> {
    const { mono, heard, link } = this.hooks
    const read = await this.ports.texts(heard)
    this.tell(read.ok ? undefined : read.fault)
    if (!read.ok) return
    const now = link(mono())
    const isOld = !this.stood || mono() - this.stood.at >= standingEverySeconds || this.stood.link !== now
    if (!isOld) return
    const standing = await this.ports.standing(now)
    if (standing.ok) this.stood = { words: standing.value, at: mono(), link: now }
    else this.tell(standing.fault)
  }

  private tell(fault: Fault | undefined): void {
    const { faults, mono } = this.hooks
    if (this.raised !== undefined && this.raised !== fault?.code) faults.clear(where, this.raised)
    this.raised = fault?.code
    if (fault) faults.raise(where, fault, mono())
  }

  /** How it stood when it was last asked. */
  standing(now: MonoSeconds): ModemStanding | undefined {
    const { stood } = this
    return stood && { words: stood.words, age_s: Math.round(now - stood.at) }
  }
}
