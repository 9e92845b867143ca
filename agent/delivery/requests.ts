/** What is asked of a delivery over a control socket, or by a command from afar. */
import type { Answer, DeliveryStatus, TellerWord, TestResult } from './contracts.js'

/** What can be asked, at a station and at a collector. */
export interface Asked {
  acknowledge(what: string, by: string): Answer
  mute(what: string, forSeconds: number, by: string): Answer
  beginTest(alias: string): boolean
  readonly testResult: TestResult
  status(): DeliveryStatus
}

/** Who tells, and who asks there where nobody is named. */
export interface Teller {
  readonly words: TellerWord
  readonly by: string
}

const longestWord = 64

/**
 * `{"do":"acknowledge","what":CODE or RULE}`, `{"do":"mute","what":CODE, RULE or "all","hours":12}` (0 ends it),
 * `{"do":"send-test","to":ALIAS}`, which is answered at once, and `{"do":"test-result"}`. Undefined: it is none of these.
 * @param delivery undefined where the settings name nobody
 */
export function answerDelivery(
  delivery: Asked | undefined,
  request: Readonly<Record<string, unknown>>,
  { words, by }: Teller,
): Record<string, unknown> | undefined {
  const { do: kind, what, to, hours } = request
  if (kind !== 'acknowledge' && kind !== 'mute' && kind !== 'send-test' && kind !== 'test-result')
    return undefined
  if (!delivery)
    return said({ done: false, words: `this ${words} tells nobody: its settings have no block delivery` })
  if (kind === 'send-test') return sendTest(delivery, to)
  if (kind === 'test-result') return testResult(delivery)
  if (!isWord(what)) return said({ done: false, words: 'say which: a code, a rule, or all to mute' })
  if (kind === 'acknowledge') return said(delivery.acknowledge(what, by))
  if (typeof hours !== 'number' || !(hours >= 0))
    return said({ done: false, words: 'say for how many hours; 0 ends a mute' })
  return said(delivery.mute(what, hours * 3600, by))
}

function sendTest(delivery: Asked, to: unknown): Record<string, unknown> {
  if (!isWord(to)) return said({ done: false, words: 'say to whom: the alias of a recipient' })
  const { recipients } = delivery.status()
  if (!recipients.some(({ alias }) => alias === to))
    return said({ done: false, words: `no recipient is called ${to}` })
  if (!delivery.beginTest(to)) return said({ done: false, words: 'a test message is under way' })
  return said({ done: true, words: 'a test message is under way' })
}

function testResult({ testResult: tests }: Asked): Record<string, unknown> {
  return typeof tests === 'string' ? { ok: true, state: tests } : { ok: true, state: 'ended', tests }
}

const isWord = (text: unknown): text is string =>
  typeof text === 'string' && text !== '' && text.length <= longestWord

const said = ({ done, words }: Answer): Record<string, unknown> => ({ ok: done, words })
