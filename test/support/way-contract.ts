/** What every way to a person must do, real or made: each call is one attempt, bounded, and nothing throws. */
import { describe, expect, it } from 'vitest'
import { faultCatalogue, type MessageWay, type OutgoingMessage } from '../../agent/terms/terms.js'

/** A message to somebody whose address must be seen nowhere. */
export const messageTo = (to: string, more: Partial<OutgoingMessage> = {}): OutgoingMessage => ({
  key: 'store-1/812/warden',
  to,
  subject: 'north-fence: dust-high raised',
  text: 'north-fence: PM10 162 ug/m3, 10-min mean, limit 150, since 14:20. Code K7QM',
  facts: { rule: 'dust-high', state: 'raised', value: 162 },
  ...more,
})

export interface WayRig {
  readonly way: MessageWay
  readonly to: string
  /** How many messages the far side has taken. */
  taken(): number
  /** Texts of messages that were taken, the newest last. */
  texts(): readonly string[]
  /** From now on messages are refused: for now, for good, or never answered (and the way's limit is short). */
  become(mood: 'well' | 'busy' | 'refusing' | 'silent'): void
  /** What must never be read in an answer. */
  readonly secrets: readonly string[]
}

export function wayContract(name: string, rig: () => WayRig): void {
  describe(`the way ${name}`, () => {
    const sent = async (mood: Parameters<WayRig['become']>[0]) => {
      const { way, to, become, secrets } = rig()
      become(mood)
      const answer = await way.send(messageTo(to))
      for (const secret of secrets) expect(JSON.stringify(answer)).not.toContain(secret)
      return answer
    }

    it('says that a message was taken, and the far side has it once with all its words', async () => {
      const before = rig().taken()
      expect(await sent('well')).toMatchObject({ ok: true, value: { parts: 1 } })
      expect(rig().taken()).toBe(before + 1)
      expect(rig().texts().at(-1)).toContain(messageTo('x').text)
    })

    it.each([
      ['busy', true],
      ['refusing', false],
      ['silent', true],
    ] as const)(
      'answers a far side that is %s with a fault that says whether to try again',
      async (mood, again) => {
        const before = rig().taken()
        const answer = await sent(mood)
        expect(answer.ok ? undefined : faultCatalogue[answer.fault.code].transient).toBe(again)
        expect(rig().taken()).toBe(before)
      },
    )

    it('carries a message again after each of them', async () => {
      expect(await sent('well')).toMatchObject({ ok: true })
    })
  })
}
