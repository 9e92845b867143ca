/**
 * Field cases of mail and webhooks: the delivery with its real ways, on real sockets. Its limits are a second in place of
 * thirty, and the byte that comes each 20 s comes each 400 ms.
 */
import { setFlagsFromString } from 'node:v8'
import { createServer } from 'node:http'
import type { AddressInfo } from 'node:net'
import { runInNewContext } from 'node:vm'
import { describe, expect, it } from 'vitest'
import {
  Delivery,
  usualDelivery,
  Wording,
  type Notice,
  type Recipient,
} from '../../agent/delivery/delivery.js'
import { mailWay } from '../../agent/hardware/mail.js'
import { webhookWay } from '../../agent/hardware/webhook.js'
import { monoSeconds, utcMillis, type EventLine, type MonoSeconds } from '../../agent/terms/terms.js'
import { drip, startRawServer } from '../support/mail-server.js'
import { waitFor } from '../support/wait.js'

const limitSeconds = 1
const personal = /secretname|hook-path/

const recipient = (alias: string, ways: Recipient['ways']): Recipient => ({
  alias,
  ways,
  least: 'low',
  dailyLine: [],
  mostSmsADay: 10,
  mayAnswer: false,
})

/** A delivery on the clock of this machine, whose lines are kept in memory. */
function deliveryTo(recipients: readonly Recipient[], mailPort: number) {
  const begun = performance.now()
  const mono = (): MonoSeconds => monoSeconds((performance.now() - begun) / 1000)
  const lines: EventLine[] = []
  const wording = new Wording(
    { station: 'north-fence', teller: 'station', group: 'home', place: { standardOffsetMinutes: 0 } },
    () => utcMillis(Date.now()),
  )
  const mail = {
    host: '127.0.0.1',
    port: mailPort,
    security: 'none',
    from: 'station.secretname@example.org',
    limitSeconds,
  } as const
  const delivery = new Delivery(
    { ...usualDelivery, storeId: 'made', recipients, mostAnHour: 1000, firstRetrySeconds: 5 },
    {
      boot: '00000001',
      ways: new Map([
        ['email', mailWay(mail)],
        ['webhook', webhookWay({ limitSeconds })],
      ]),
      compose: (notice, way, to, telling) => wording.compose(notice, way, to, telling),
      event: (at, name, details) => {
        const line = {
          kind: 'event',
          seq: lines.length + 1,
          boot: '00000001',
          mono: at,
          name,
          details,
        } as const
        lines.push(line)
        return line
      },
      safe: () => Promise.resolve(true),
      utcAt: () => utcMillis(Date.now()),
      watchTime: (utc) => wording.watch.at(utc),
      mono,
      track: () => undefined,
      random: { next: () => 0.5 },
      faults: { raise: () => undefined, clear: () => undefined },
    },
  )
  delivery.restore([], mono())
  return { delivery, lines, mono }
}

const noticeOf = (n: number): Notice => ({
  id: String(n + 1),
  rule: `rule-${n}`,
  state: 'raised',
  priority: 'high',
  facts: { channel: 'pm10', average: '10-min', value: '162', above: '150' },
})

setFlagsFromString('--expose-gc')
const collect = runInNewContext('gc') as () => void
const heapMegabytes = (): number => {
  collect()
  return process.memoryUsage().heapUsed / 1e6
}

describe('mail and webhooks [rig]', () => {
  it('PC-75 a mail server of a byte now and then and a webhook that never answers hold up nobody else, and cost no memory', async () => {
    const slow = await startRawServer(drip('220-still greeting\r\n', 400))
    const sink = await startRawServer(() => undefined)
    const heard: string[] = []
    const hook = createServer((request, response) => {
      heard.push(String(request.headers['idempotency-key']))
      request.resume().on('end', () => response.writeHead(200).end())
    })
    await new Promise<void>((resolve) => hook.listen(0, '127.0.0.1', resolve))
    const url = (port: number): string => `http://127.0.0.1:${port}/hook-path`
    const { port } = hook.address() as AddressInfo
    const { delivery, lines, mono } = deliveryTo(
      [
        recipient('by-mail', [{ way: 'email', to: 'warden.secretname@example.org', nextAfterSeconds: 0 }]),
        recipient('by-sink', [{ way: 'webhook', to: url(sink.port), nextAfterSeconds: 0 }]),
        recipient('by-hook', [{ way: 'webhook', to: url(port), nextAfterSeconds: 0 }]),
      ],
      slow.port,
    )
    let [mostOpen, early] = [0, 0]
    for (let n = 0; n < 100; n++) {
      delivery.tell(noticeOf(n), mono())
      await waitFor(
        `the webhook to hear of alert ${n + 1}`,
        () => {
          delivery.step(mono())
          mostOpen = Math.max(mostOpen, slow.open() + sink.open())
          return heard.length > n
        },
        60,
      )
      if (n === 19) early = heapMegabytes()
    }
    await waitFor(
      'the attempts under way to be given up',
      () => {
        delivery.step(mono())
        return slow.taken() > 0 && sink.taken() > 0 && slow.open() + sink.open() === 0
      },
      60,
    )
    const grown = heapMegabytes() - early
    console.info(
      `PC-75: ${mostOpen} connections at most, ${grown.toFixed(1)} MB more after 100 alerts than after 20`,
    )
    expect(new Set(heard).size).toBe(100)
    expect(mostOpen).toBeLessThanOrEqual(20)
    expect(grown).toBeLessThan(5)
    expect(delivery.counts().held).toBeGreaterThan(0)
    expect(JSON.stringify([lines, delivery.status(mono())])).not.toMatch(personal)
    hook.closeAllConnections()
    hook.close()
    await slow.stop()
    await sink.stop()
  })
})
