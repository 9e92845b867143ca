import { faultText, type MonoSeconds } from '../terms/terms.js'
import type { Attempts } from './attempts.js'
import { messageKey, shortCode } from './codes.js'
import type { DeliveryOptions, DeliveryPorts, Notice, Recipient, RecipientWay, WayTest } from './contracts.js'
import { smsLeft } from './flood.js'
import type { Ledger } from './ledger.js'
import { dueDetails } from './notices.js'
import { ownRules } from './own-rules.js'

export interface TestParts {
  readonly options: DeliveryOptions
  readonly ports: DeliveryPorts
  readonly ledger: Ledger
  readonly attempts: Attempts
}

/** One message by each way of a recipient, one attempt each; it is noted and paid like any other. */
export async function testWays(
  recipient: Recipient,
  parts: TestParts,
  now: MonoSeconds,
): Promise<readonly WayTest[]> {
  const notice = { rule: ownRules.test, state: 'word', priority: 'low', facts: {} } as const
  const words = { code: '', aliases: [], streak: 0, chatterId: 0 }
  const { seq } = parts.attempts.note(now, dueDetails(notice, words))
  const tests: WayTest[] = []
  for (const way of recipient.ways)
    tests.push(await testOne(recipient, way, { ...notice, id: String(seq) }, parts))
  return tests
}

async function testOne(
  recipient: Recipient,
  way: RecipientWay,
  notice: Notice,
  { options, ports, ledger, attempts }: TestParts,
): Promise<WayTest> {
  const failed = (words: string): WayTest => ({ way: way.way, delivered: false, words })
  const person = ledger.people.get(recipient.alias)
  const isPaid = way.way === 'sms'
  if (!person || (isPaid && smsLeft(person, recipient, 'low', ports.mono()) < 1))
    return failed('no more SMS today')
  const code = shortCode(options.storeId, Number(notice.id), () => false)
  const { subject, text, facts } = ports.compose(notice, way.way, recipient, { code })
  const key = messageKey(options.storeId, notice.rule, Number(notice.id), recipient.alias)
  const outcome = await attempts.once(
    way.way,
    { key, to: way.to, subject, text, facts },
    {
      rule: notice.rule,
      notice: notice.id,
      to: recipient.alias,
      code,
    },
  )
  if (outcome === undefined) return failed('it is sending another message: try again')
  return outcome.ok
    ? { way: way.way, delivered: true, words: outcome.value.words }
    : failed(faultText(outcome.fault))
}
