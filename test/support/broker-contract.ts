/** What every Broker port must do, real or in memory. */
import { describe, expect, it, beforeAll, afterAll } from 'vitest'
import type { Broker, BrokerSession, Message, Outcome, Will } from '../../agent/terms/terms.js'

export interface BrokerRig {
  client(clientId: string): Broker
  /** The links of all clients go down without a word. */
  cut(): void
  stop(): Promise<void>
}

export class Listening {
  readonly messages: Message[] = []
  readonly lost: string[] = []
  /** What is answered to a message, and so whether and when it is acknowledged. */
  answer: (message: Message) => Promise<void> | void = () => undefined
  private waiting: (() => void)[] = []

  readonly events = {
    onMessage: (message: Message): Promise<void> | void => {
      this.messages.push({ ...message, payload: Uint8Array.from(message.payload) })
      this.wake()
      return this.answer(message)
    },
    onLost: (detail: string): void => {
      this.lost.push(detail)
      this.wake()
    },
  }

  /** Resolves when so many messages have come; a test that waits in vain ends by its own limit. */
  async until(condition: () => boolean): Promise<void> {
    while (!condition()) await new Promise<void>((resolve) => this.waiting.push(resolve))
  }

  texts(): string[] {
    return this.messages.map((message) => `${message.topic}=${text(message.payload)}`)
  }

  private wake(): void {
    for (const resume of this.waiting.splice(0)) resume()
  }
}

export const text = (bytes: Uint8Array): string => new TextDecoder().decode(bytes)
export const bytes = (words: string): Uint8Array => new TextEncoder().encode(words)

export function opened<T>(outcome: Outcome<T>): T {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}

export async function join(
  broker: Broker,
  subscribe: readonly string[] = [],
  will?: Will,
  heard = new Listening(),
): Promise<{ session: BrokerSession; heard: Listening }> {
  return { session: opened(await broker.connect({ subscribe, will, events: heard.events })), heard }
}

/** @param runs false where the broker is not installed: the tests show as skipped. */
export function brokerContract(name: string, start: () => Promise<BrokerRig>, runs = true): void {
  describe.runIf(runs)(`a broker (${name})`, () => {
    let rig: BrokerRig
    let n = 0
    beforeAll(async () => {
      rig = await start()
    })
    afterAll(() => rig.stop())
    /** Names of its own for each test: the broker remembers. */
    const fresh = (): { a: string; b: string; topic: string } => {
      n++
      return { a: `a${n}`, b: `b${n}`, topic: `t${n}` }
    }

    it('brings a published message to whoever subscribed by a wildcard, to the byte', async () => {
      const { a, b, topic } = fresh()
      const { session: reader, heard } = await join(rig.client(b), [`${topic}/+/lines`])
      const { session } = await join(rig.client(a))
      const payload = Uint8Array.from({ length: 200_000 }, (_, i) => (i * 7919) & 255)
      expect(await session.publish(`${topic}/x/lines`, payload, { retain: false })).toEqual({
        ok: true,
        value: undefined,
      })
      await heard.until(() => heard.messages.length === 1)
      expect(heard.messages[0].topic).toBe(`${topic}/x/lines`)
      expect(Buffer.compare(heard.messages[0].payload, payload)).toBe(0)
      await Promise.all([session.end(), reader.end()])
    })

    it('keeps the newest retained message for those who come later, and says so', async () => {
      const { a, b, topic } = fresh()
      const { session } = await join(rig.client(a))
      await session.publish(topic, bytes('old'), { retain: true })
      await session.publish(topic, bytes('new'), { retain: true })
      const { session: reader, heard } = await join(rig.client(b), [topic])
      await heard.until(() => heard.messages.length === 1)
      expect(heard.texts()).toEqual([`${topic}=new`])
      expect(heard.messages[0].retained).toBe(true)
      await session.publish(topic, bytes('newer'), { retain: true })
      await heard.until(() => heard.messages.length === 2)
      expect(heard.messages[1].retained).toBe(false)
      await Promise.all([session.end(), reader.end()])
    })

    it('keeps messages for a subscriber that is away and comes back under its name', async () => {
      const { a, b, topic } = fresh()
      const first = await join(rig.client(b), [topic])
      await first.session.end()
      const { session } = await join(rig.client(a))
      for (const words of ['one', 'two', 'three'])
        await session.publish(topic, bytes(words), { retain: false })
      const { session: reader, heard } = await join(rig.client(b), [topic])
      await heard.until(() => heard.messages.length === 3)
      expect(heard.texts()).toEqual([`${topic}=one`, `${topic}=two`, `${topic}=three`])
      await Promise.all([session.end(), reader.end()])
    })

    it('brings messages again that were not acknowledged, and no others', async () => {
      const { a, b, topic } = fresh()
      const first = await join(rig.client(b), [topic])
      let letGo: () => void = () => undefined
      const held = new Promise<void>((resolve) => (letGo = resolve))
      const answers: Record<string, Promise<void>> = { two: held, four: new Promise(() => undefined) }
      first.heard.answer = ({ payload }) => answers[text(payload)]
      const { session } = await join(rig.client(a))
      const send = (words: string) => session.publish(topic, bytes(words), { retain: false })
      for (const words of ['one', 'two', 'three']) await send(words)
      await first.heard.until(() => first.heard.messages.length === 3)
      letGo()
      for (const words of ['four', 'five']) await send(words)
      await first.heard.until(() => first.heard.messages.length === 5)
      await first.session.end()
      const { session: reader, heard } = await join(rig.client(b), [topic])
      await send('six')
      await heard.until(() => heard.texts().includes(`${topic}=six`))
      expect(heard.texts().filter((one) => !one.endsWith('five'))).toEqual([`${topic}=four`, `${topic}=six`])
      await Promise.all([session.end(), reader.end()])
    })

    it('goes on in order while one message waits for its acknowledgement', async () => {
      const { a, b, topic } = fresh()
      const slow = new Listening()
      slow.answer = () => new Promise((resolve) => setImmediate(resolve))
      const { session: reader } = await join(rig.client(b), [topic], undefined, slow)
      const { session } = await join(rig.client(a))
      const all = Array.from({ length: 200 }, (_, i) => String(i))
      await Promise.all(all.map((words) => session.publish(topic, bytes(words), { retain: false })))
      await slow.until(() => slow.messages.length === all.length)
      expect(slow.texts()).toEqual(all.map((words) => `${topic}=${words}`))
      await Promise.all([session.end(), reader.end()])
    })

    it('brings all that waited for who comes back and acknowledges each a little later', async () => {
      const { a, b, topic } = fresh()
      await (await join(rig.client(b), [topic])).session.end()
      const { session } = await join(rig.client(a))
      // Brokers send some twenty ahead, and wait.
      const all = Array.from({ length: 90 }, (_, i) => String(i))
      await Promise.all(all.map((words) => session.publish(topic, bytes(words), { retain: false })))
      const slow = new Listening()
      slow.answer = () => Promise.resolve()
      const { session: reader } = await join(rig.client(b), [topic], undefined, slow)
      await slow.until(() => slow.messages.length === all.length)
      expect(slow.texts()).toEqual(all.map((words) => `${topic}=${words}`))
      await Promise.all([session.end(), reader.end()])
    })

    it('acknowledges several publishes that are in flight at once', async () => {
      const { a, topic } = fresh()
      const { session } = await join(rig.client(a))
      const answers = await Promise.all(
        ['1', '2', '3', '4'].map((words) => session.publish(topic, bytes(words), { retain: false })),
      )
      expect(answers.every((answer) => answer.ok)).toBe(true)
      await session.end()
    })

    it('sends the farewell and not the will when a session ends', async () => {
      const { a, b, topic } = fresh()
      const { session: reader, heard } = await join(rig.client(b), [topic])
      const will = { topic, payload: bytes('lost'), retain: true, delaySeconds: 0 }
      const { session, heard: own } = await join(rig.client(a), [], will)
      await session.end({ topic, payload: bytes('stopped'), retained: true })
      await reader.publish(topic, bytes('after'), { retain: false })
      await heard.until(() => heard.messages.length === 2)
      expect(heard.texts()).toEqual([`${topic}=stopped`, `${topic}=after`])
      expect(own.lost).toEqual([])
      await session.end()
      await reader.end()
    })

    it('tells a client once that another of its name came, and answers its later publishes as lost', async () => {
      const { a, topic } = fresh()
      const { session, heard } = await join(rig.client(a))
      const { session: second } = await join(rig.client(a))
      await heard.until(() => heard.lost.length > 0)
      expect(heard.lost).toHaveLength(1)
      const answer = await session.publish(topic, bytes('x'), { retain: false })
      expect(answer).toMatchObject({ ok: false, fault: { code: 'link-lost' } })
      expect((await second.publish(topic, bytes('y'), { retain: false })).ok).toBe(true)
      await session.end()
      await second.end()
    })

    it('leaves the will of a client whose link is cut, retained', async () => {
      const { a, b, topic } = fresh()
      const will = { topic, payload: bytes('lost'), retain: true, delaySeconds: 0 }
      const { heard: own } = await join(rig.client(a), [], will)
      rig.cut()
      await own.until(() => own.lost.length > 0)
      const { session: reader, heard } = await join(rig.client(b), [topic])
      await heard.until(() => heard.messages.length === 1)
      expect(heard.texts()).toEqual([`${topic}=lost`])
      await reader.end()
    })

    it('counts the bytes of a connection', async () => {
      const { a, topic } = fresh()
      const { session } = await join(rig.client(a))
      const before = session.bytes().sent
      await session.publish(topic, new Uint8Array(5000), { retain: false })
      expect(session.bytes().sent - before).toBeGreaterThanOrEqual(5000)
      expect(session.bytes().sent - before).toBeLessThan(5200)
      await session.end()
    })
  })
}
