import { bad, good, type Outcome } from '../terms/terms.js'
import { answered, answerFault, type Talk } from './modem-talk.js'
import { simState } from './modem-pin.js'
import {
  bestRegistration,
  canSend,
  registrationOf,
  registrationWords,
  signalDbm,
  signalWords,
  type ModemView,
  type Registration,
} from './modem-words.js'

/** Circuit side, LTE, packet side: makers and networks differ in which of them tells the truth. */
const questions = ['+CREG', '+CEREG', '+CGREG']
const againSeconds = 2

/** Registration now; 'unheard' where the modem knows none of the questions. */
async function registrationNow(talk: Talk): Promise<Outcome<Registration | 'unheard'>> {
  const all: Registration[] = []
  for (const question of questions) {
    const answer = await talk.ask(`AT${question}?`, { expects: `${question}:` })
    if (answer.kind === 'silent' || answer.kind === 'gone') return answerFault(talk, answer)
    const registration = readRegistration(answered(answer, `${question}:`))
    if (registration === undefined) continue
    if (canSend(registration)) return good(registration)
    all.push(registration)
  }
  return good(all.length > 0 ? bestRegistration(all) : 'unheard')
}

/**
 * '0,1' and '2,5,"00C3","01A2",7' answer a question; '1' and '5,"00C3",…' are news of the modem's own (3GPP TS 27.007,
 * clause 7.2): there the first number is the status.
 */
export function readRegistration(text: string | undefined): Registration | undefined {
  const m = text === undefined ? null : /^(\d+)\s*(?:,\s*(\d+)\s*(?:,|$))?/.exec(text)
  return m ? registrationOf(Number(m[2] ?? m[1])) : undefined
}

/**
 * Waits until a network has taken the modem, as long as so many seconds of the attempt would be left. A modem that knows none
 * of the questions is believed to be registered. Fault: sms-not-registered.
 */
export async function waitForNetwork(talk: Talk, keptSeconds: number): Promise<Outcome<void>> {
  for (;;) {
    const now = await registrationNow(talk)
    if (!now.ok) return now
    if (now.value === 'unheard' || canSend(now.value)) return good(undefined)
    if (talk.leftSeconds <= keptSeconds + againSeconds) {
      const words = `${registrationWords[now.value]}, ${signalWords(await signalNow(talk))}`
      return bad('sms-not-registered', `${talk.name}: it is ${words}`)
    }
    await talk.pause(againSeconds)
  }
}

/** +CSQ: <rssi>,<ber> (clause 8.5), in dBm. */
async function signalNow(talk: Talk): Promise<number | undefined> {
  const text = answered(await talk.ask('AT+CSQ', { expects: '+CSQ:' }), '+CSQ:')
  const rssi = /^(\d+)/.exec(text ?? '')?.[1]
  return rssi === undefined ? undefined : signalDbm(Number(rssi))
}

const longestName = 40

/** +COPS: <mode>[,<format>,"<oper>"[,<AcT>]] (clause 7.3). */
async function operatorNow(talk: Talk): Promise<string | undefined> {
  const text = answered(await talk.ask('AT+COPS?', { expects: '+COPS:' }), '+COPS:')
  return /^\d+,\d+,"([^"]+)"/.exec(text ?? '')?.[1].slice(0, longestName)
}

/** What can be seen of the modem without changing anything: no PIN is entered, nothing is sent. */
export async function lookAtModem(talk: Talk): Promise<Outcome<ModemView>> {
  const sim = await simState(talk)
  if (!sim.ok) return sim
  const registration = await registrationNow(talk)
  if (!registration.ok) return registration
  const operator = await operatorNow(talk)
  const dbm = await signalNow(talk)
  return good({
    sim: sim.value,
    registration: registration.value === 'unheard' ? 'unknown' : registration.value,
    ...(operator === undefined ? {} : { operator }),
    ...(dbm === undefined ? {} : { signalDbm: dbm }),
  })
}
