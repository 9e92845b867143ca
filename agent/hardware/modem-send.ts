import { bad, done, good, type Delivered, type Outcome } from '../terms/terms.js'
import type { Answer } from './modem-answers.js'
import { answered, answerFault, type Talk } from './modem-talk.js'
import { typedText, ucs2Hex, type TypedText } from './modem-text.js'

/** The network may take a minute and more to answer. */
const submitLimitSeconds = 100
const mostRemembered = 20

/**
 * Which parts of which messages are known to have gone, so that an attempt that is made again sends only what is missing, and
 * a result that comes late counts for its message. In memory only: after a restart a message may arrive twice.
 */
export class SentParts {
  private readonly sent = new Map<string, Sent>()
  private unanswered: { message: string; isLast: boolean } | undefined

  /** Parts of this message that have gone, from the first on. */
  of(message: string): Sent {
    return this.sent.get(message) ?? { parts: 0, isWhole: false }
  }

  /** A part was handed over, of this message or any, and its result is not known. */
  isWaiting(message = this.unanswered?.message): boolean {
    return this.unanswered !== undefined && this.unanswered.message === message
  }

  handed(message: string, isLast: boolean): void {
    this.unanswered = { message, isLast }
  }

  answered(went: boolean): void {
    const { unanswered } = this
    this.unanswered = undefined
    if (unanswered === undefined || !went) return
    const { message, isLast } = unanswered
    const parts = this.of(message).parts + 1
    this.sent.delete(message)
    this.sent.set(message, { parts, isWhole: isLast })
    if (this.sent.size > mostRemembered) this.sent.delete(this.sent.keys().next().value!)
  }

  /** A line that came by itself: it may be the result that was waited for. */
  heard(line: string): void {
    if (line.startsWith('+CMGS:')) this.answered(true)
    else if (line.startsWith('+CMS ERROR:')) this.answered(false)
  }

  finished(message: string): void {
    this.sent.delete(message)
  }
}

interface Sent {
  readonly parts: number
  readonly isWhole: boolean
}

/**
 * Types the parts of a message that have not gone yet. The alphabet is set before each message, whatever was left over.
 * Faults: sms-failed, sms-refused and those of the SIM by what the modem says; sms-unsure where a part was handed over and
 * no result came.
 */
export async function sendParts(
  talk: Talk,
  { id, to, text }: { id: string; to: string; text: string },
  sent: SentParts,
): Promise<Outcome<Delivered>> {
  const set = await setText(talk, typedText(text), text)
  if (!set.ok) return set
  const { alphabet, parts } = set.value
  const number = alphabet === 'ucs-2' ? ucs2Hex(to) : to
  let words = 'the network has taken it'
  for (let part = sent.of(id).parts; part < parts.length; part = sent.of(id).parts) {
    const isLast = part + 1 === parts.length
    const answer = await submit(talk, number, parts[part], () => sent.handed(id, isLast))
    const reference = settle(answer, sent)
    if (answer.kind !== 'ok') return unsent(talk, answer)
    if (reference) words = `the network has taken it, reference ${reference}`
  }
  sent.finished(id)
  return good({ parts: parts.length, words })
}

async function setText(talk: Talk, typed: TypedText, text: string): Promise<Outcome<TypedText>> {
  const mode = await command(talk, 'AT+CMGF=1')
  if (!mode.ok) return mode
  const set = await setAlphabet(talk, typed)
  if (set.ok || typed.alphabet === '7-bit' || ['sms-silent', 'sms-port'].includes(set.fault.code))
    return set.ok ? good(typed) : set
  const plain = typedText(text, true)
  const other = await setAlphabet(talk, plain)
  return other.ok ? good(plain) : other
}

/** Submit, relative validity of 24 h (167), protocol 0, alphabet 0 or 8 (3GPP TS 27.005 clause 3.1 and TS 23.038 clause 4). */
async function setAlphabet(talk: Talk, { alphabet }: TypedText): Promise<Outcome<void>> {
  const [characters, coding] = alphabet === 'ucs-2' ? ['UCS2', 8] : ['GSM', 0]
  const set = await command(talk, `AT+CSCS="${characters}"`)
  return set.ok ? command(talk, `AT+CSMP=17,167,0,${coding}`) : set
}

async function command(talk: Talk, text: string): Promise<Outcome<void>> {
  const answer = await talk.ask(text)
  return answer.kind === 'ok' ? done : answerFault(talk, answer)
}

function submit(talk: Talk, number: string, typed: Uint8Array, onTyped: () => void): Promise<Answer> {
  const limitSeconds = submitLimitSeconds
  return talk.ask(`AT+CMGS="${number}"`, { expects: '+CMGS:', typed, onTyped, limitSeconds })
}

/** The network's reference of a part that went. */
function settle(answer: Answer, sent: SentParts): string | undefined {
  if (answer.kind === 'ok') {
    sent.answered(true)
    return answered(answer, '+CMGS:')
  }
  // On a line that is lost no late result can come.
  if (answer.kind !== 'silent') sent.answered(false)
  return undefined
}

function unsent(talk: Talk, answer: Exclude<Answer, { kind: 'ok' }>): Outcome<never> {
  if (answer.kind === 'error' || !answer.typed) return answerFault(talk, answer)
  const how = answer.kind === 'gone' ? 'the line was lost' : 'no answer came'
  return bad('sms-unsure', `${talk.name}: after the text was handed over ${how}`)
}
