import { good, smsTextOf, type IncomingText, type Outcome } from '../terms/terms.js'
import { answerFault, type Talk } from './modem-talk.js'

const listLimitSeconds = 20
/** A SIM holds ten to fifty; a flood is read in several goes. */
const mostAtOnce = 50
/** An answer to an alert is a word and a code. */
const longestText = 320
/** Twenty digits, or as many letters of a name as hex digits of UCS-2. */
const longestNumber = 80

/**
 * Reads every message that came in, gives it on, and deletes it: a SIM that is full takes none. One that could not be given on
 * stays. Each is read by itself, so that a text cannot pretend to be the head of another message.
 * @returns how many were read
 */
export async function readInbox(
  talk: Talk,
  take: (text: IncomingText) => Promise<unknown> | void,
): Promise<Outcome<number>> {
  for (const text of ['AT+CMGF=1', 'AT+CSCS="GSM"']) {
    const set = await talk.ask(text)
    if (set.kind !== 'ok') return answerFault(talk, set)
  }
  // Stored, not thrown at whoever listens; a modem that knows no such choice stores anyway.
  await talk.ask('AT+CNMI=2,1,0,0,0')
  const places = await placesOf(talk)
  if (!places.ok) return places
  let read = 0
  for (const place of places.value) {
    const given = await readOne(talk, place, take)
    if (!given.ok) return given
    read += given.value
  }
  return good(read)
}

async function placesOf(talk: Talk): Promise<Outcome<number[]>> {
  const expects = '+CMGL:'
  const answer = await talk.ask('AT+CMGL="ALL"', {
    expects,
    carriesText: 'after each line',
    limitSeconds: listLimitSeconds,
  })
  if (answer.kind !== 'ok') return answerFault(talk, answer)
  const places = answer.lines.flatMap((line) => /^\+CMGL:\s*(\d{1,5}),/.exec(line)?.[1] ?? [])
  return good([...new Set(places.map(Number))].slice(0, mostAtOnce))
}

async function readOne(
  talk: Talk,
  place: number,
  take: (text: IncomingText) => Promise<unknown> | void,
): Promise<Outcome<number>> {
  const answer = await talk.ask(`AT+CMGR=${place}`, {
    expects: '+CMGR:',
    carriesText: 'after the first line',
  })
  if (answer.kind === 'silent' || answer.kind === 'gone') return answerFault(talk, answer)
  const message = answer.kind === 'ok' ? readMessage(answer.lines) : undefined
  if (!message) return good(0)
  await take(message)
  await talk.settle()
  const deleted = await talk.ask(`AT+CMGD=${place}`)
  return deleted.kind === 'ok' ? good(1) : answerFault(talk, deleted)
}

/** +CMGR: "<stat>","<from>",… and its text in the lines after it; undefined for what did not come in. */
export function readMessage([head = '', ...lines]: readonly string[]): IncomingText | undefined {
  const m = /^\+CMGR:\s*"REC (?:UN)?READ","([^"]*)"/.exec(head)
  return m ? { from: m[1].slice(0, longestNumber), text: readText(lines.join('\n').trim()) } : undefined
}

/** Letters of European scripts and their signs: what hex digits must give to be taken for UCS-2 and not for a word. */
const written = /^[\n\r\u0020-\u007e\u00a0-\u04ff\u2010-\u203a\u20ac]+$/u

/** Under the alphabet "GSM" a message in UCS-2 comes as hex digits (3GPP TS 27.005, clause 3.1, <data>). */
function readText(text: string): string {
  if (/^([0-9A-F]{4})+$/.test(text)) {
    const decoded = Buffer.from(text, 'hex').swap16().toString('utf16le')
    if (written.test(decoded)) return decoded.slice(0, longestText)
  }
  return smsTextOf(Buffer.from(text, 'latin1')).slice(0, longestText)
}
