import { createHash, randomBytes } from 'node:crypto'
import { bad, done, type Outcome, type StateFile } from '../terms/terms.js'
import { answered, answerFault, type Talk } from './modem-talk.js'

export interface SimPinOptions {
  /** Four to eight digits. It is never written anywhere. */
  readonly pin: string
  /** What was tried must survive a power cut: without it a SIM is locked after three boots. */
  readonly memory: StateFile
}

interface Tried {
  readonly salt: string
  readonly mark: string
  /** 'begun': it was sent and no answer came. */
  readonly state: 'begun' | 'refused' | 'accepted'
}

const mostRemembered = 16
const enterLimitSeconds = 15
const busyAgainSeconds = 2
/** +CME ERROR: SIM busy. */
const busyNumber = 14

/**
 * Unlocks the SIM: each PIN that is not known to be right is sent once in its life, and the PUK never. What was tried is saved
 * before it is sent.
 */
export class SimPin {
  private hasSeenReady = false

  constructor(private readonly options: SimPinOptions | undefined) {}

  /** Faults: sms-no-sim, sms-pin-missing, sms-pin-refused, sms-puk, those of the line, and those of the memory. */
  async unlock(talk: Talk): Promise<Outcome<void>> {
    for (;;) {
      const answer = await talk.ask('AT+CPIN?', { expects: '+CPIN:' })
      if (answer.kind === 'silent' || answer.kind === 'gone') return answerFault(talk, answer)
      const state = answer.kind === 'error' ? ofError(answer.number) : answered(answer, '+CPIN:')
      if (state === 'busy' && talk.leftSeconds > busyAgainSeconds) {
        await talk.pause(busyAgainSeconds)
        continue
      }
      return this.unlockFrom(state, talk)
    }
  }

  private async unlockFrom(state: string | undefined, talk: Talk): Promise<Outcome<void>> {
    if (state === 'READY') return this.seenReady()
    if (state === 'SIM PIN') return this.enter(talk)
    if (state === 'SIM PUK') return bad('sms-puk', talk.name)
    if (state === undefined) return done
    return bad('sms-no-sim', `${talk.name}: ${simWords(state)}`)
  }

  private async enter(talk: Talk): Promise<Outcome<void>> {
    const { pin, memory } = this.options ?? {}
    if (pin === undefined || memory === undefined) return bad('sms-pin-missing', talk.name)
    if (!/^\d{4,8}$/.test(pin)) return bad('sms-pin-missing', `${talk.name}: a PIN has four to eight digits`)
    const loaded = await memory.load()
    if (!loaded.ok) return loaded
    const tried = triedOf(loaded.value)
    const known = tried.find((each) => isOf(each, pin))
    if (known && known.state !== 'accepted') return bad('sms-pin-refused', `${talk.name} (${known.state})`)
    const note = noteOf(pin)
    const others = tried.filter((each) => each !== known).slice(1 - mostRemembered)
    const save = (state: Tried['state']) => memory.save({ tried: [...others, { ...note, state }] })
    // A PIN that was right before stays so in the file: a power cut now must not make it a wrong one.
    const saved = known ? done : await save('begun')
    if (!saved.ok) return saved
    const answer = await talk.ask(`AT+CPIN="${pin}"`, { limitSeconds: enterLimitSeconds })
    if (answer.kind === 'ok') return known ? done : save('accepted')
    if (answer.kind !== 'error') return answerFault(talk, answer)
    if (answer.number === busyNumber) {
      // The SIM has not seen it.
      const forgotten = known ? done : await memory.save({ tried: others })
      return forgotten.ok ? answerFault(talk, answer) : forgotten
    }
    const refused = await save('refused')
    return refused.ok ? bad('sms-pin-refused', talk.name) : refused
  }

  /** The modem that never answered to the PIN did take it. */
  private async seenReady(): Promise<Outcome<void>> {
    if (!this.options || this.hasSeenReady) return done
    const { pin, memory } = this.options
    const loaded = await memory.load()
    if (!loaded.ok) return done
    const tried = triedOf(loaded.value)
    const begun = tried.find((each) => isOf(each, pin) && each.state === 'begun')
    this.hasSeenReady = true
    if (!begun) return done
    return memory.save({
      tried: tried.map((each) => (each === begun ? { ...each, state: 'accepted' } : each)),
    })
  }
}

/** What an error to AT+CPIN? says of the SIM; undefined: nothing, it may work. */
function ofError(number: number | undefined): string | undefined {
  const states: Readonly<Record<number, string>> = {
    10: 'NOT INSERTED',
    11: 'SIM PIN',
    12: 'SIM PUK',
    13: 'FAILURE',
    14: 'busy',
    15: 'WRONG',
  }
  return number === undefined ? undefined : states[number]
}

const words: Readonly<Record<string, string>> = {
  READY: 'ready',
  'SIM PIN': 'it asks for its PIN',
  'SIM PUK': 'it is locked and asks for its PUK',
  'NOT INSERTED': 'none is inserted',
  FAILURE: 'it failed',
  WRONG: 'the modem does not accept this one',
  busy: 'it is busy',
}

/** What +CPIN says, in words. */
export const simWords = (state: string): string => words[state] ?? `it asks for ${state}`

/** What AT+CPIN? says now, in words; nothing is entered. */
export async function simState(talk: Talk): Promise<Outcome<string>> {
  const answer = await talk.ask('AT+CPIN?', { expects: '+CPIN:' })
  if (answer.kind === 'silent' || answer.kind === 'gone') return answerFault(talk, answer)
  const state = answer.kind === 'error' ? ofError(answer.number) : answered(answer, '+CPIN:')
  return { ok: true, value: state === undefined ? 'ready' : simWords(state) }
}

/** So few digits are found by trying whatever hides them: the file is as private as the PIN file beside it. */
const markOf = (pin: string, salt: string): string =>
  createHash('sha256').update(`${salt} ${pin}`).digest('hex')
const isOf = ({ salt, mark }: Tried, pin: string): boolean => mark === markOf(pin, salt)

function noteOf(pin: string): { salt: string; mark: string } {
  const salt = randomBytes(8).toString('hex')
  return { salt, mark: markOf(pin, salt) }
}

function triedOf(value: unknown): Tried[] {
  const { tried } = Object(value) as { tried?: unknown }
  if (!Array.isArray(tried)) return []
  return tried.filter(
    (each): each is Tried => typeof Object(each).salt === 'string' && typeof Object(each).mark === 'string',
  )
}
