/** The delivery, its wording and the modem's adapter as the product wires them, and a modem at the far end of a real pty. */
import { performance } from 'node:perf_hooks'
import { afterEach, beforeEach, expect, it } from 'vitest'
import {
  Delivery,
  usualDelivery,
  Wording,
  type Notice,
  type Recipient,
  type WayName,
} from '../../agent/delivery/delivery.js'
import { Modem, ModemPort, smsWay, usualModem } from '../../agent/hardware/modem.js'
import { serialLine } from '../../agent/hardware/serial-line.js'
import {
  monoSeconds,
  utcMillis,
  type EventLine,
  type MessageWay,
  type MonoSeconds,
} from '../../agent/terms/terms.js'
import { startFakeModem, type FakeModem } from '../support/fake-modem.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

/** Durations of program and modem are so much shorter; bytes cross the pty in real time. */
const timesFaster = 8
const minute = 60_000
const startedAt = Date.parse('2026-07-14T12:00:00Z')

let pty: PtyPair
let fake: FakeModem
let modem: Modem
let delivery: Delivery
let ticking: NodeJS.Timeout
let lines: EventLine[]
/** Mono seconds at which the second channel was tried. */
let byWebhook: number[]

const now = (): MonoSeconds => monoSeconds((performance.now() / 1000) * timesFaster)
const utcAt = (at: MonoSeconds) => utcMillis(startedAt + at * 1000)
const sleep = (seconds: number): Promise<void> =>
  new Promise((resolve) => setTimeout(resolve, (seconds * 1000) / timesFaster))

const webhook: MessageWay = {
  name: 'webhook',
  send: () => {
    byWebhook.push(now())
    return Promise.resolve({ ok: true, value: { parts: 1, words: 'taken' } })
  },
}

function recipient(more: Recipient['ways'] = []): Recipient {
  const ways = [{ way: 'sms' as const, to: '+15550100', nextAfterSeconds: 60 }, ...more]
  return { alias: 'warden', ways, least: 'low', dailyLine: [], mostSmsADay: 10, mayAnswer: true }
}

function startTelling(to: Recipient, station = 'north-fence'): void {
  const time = { nowSeconds: now, sleep }
  modem = new Modem(new ModemPort(serialLine(pty.sensor, 115_200), time), usualModem)
  const place = { standardOffsetMinutes: 0 }
  const wording = new Wording({ station, teller: 'station', group: 'site', place }, () => utcAt(now()))
  const ways = new Map<WayName, MessageWay>([
    ['sms', smsWay(modem)],
    ['webhook', webhook],
  ])
  delivery = new Delivery(
    { ...usualDelivery, storeId: '5f0c2a17', recipients: [to] },
    {
      boot: '0badc0de',
      ways,
      compose: (notice, way, one, telling) => wording.compose(notice, way, one, telling),
      event: (at, name, details) => {
        const line: EventLine = {
          kind: 'event',
          seq: lines.length + 1000,
          boot: '0badc0de',
          mono: at,
          name,
          details,
        }
        lines.push(line)
        return line
      },
      safe: () => Promise.resolve(true),
      utcAt,
      watchTime: (utc) => wording.watch.at(utc),
      mono: now,
      track: () => undefined,
      random: { next: () => 0.5 },
      faults: { raise: () => undefined, clear: () => undefined },
    },
  )
  delivery.restore([], now())
  ticking = setInterval(() => delivery.step(now()), 25)
}

/** Another rule, another message: numbers rise. */
const raised = (rule: string, id: number): Notice => ({
  id: String(id),
  rule,
  state: 'raised',
  priority: 'high',
  since: utcAt(now()),
  facts: { channel: 'pm10', average: '10-min', value: '162.40', above: '150', back_at: '120' },
})

const told = (state: string): number =>
  lines.filter(({ details }) => details.state === state && details.way === 'sms').length
const untilDelivered = (count: number): Promise<void> =>
  waitFor(`${count} delivered by SMS`, () => told('delivered') >= count, 90)
const handed = (): number => fake.commands.filter((line) => line.startsWith('AT+CMGS')).length

describeWith(['socat'], 'alerts by SMS [rig]', () => {
  beforeEach(async () => {
    lines = []
    byWebhook = []
    pty = await startPtyPair()
    fake = startFakeModem(pty, timesFaster)
  })
  afterEach(async () => {
    clearInterval(ticking)
    await modem.close()
    fake.end()
    await pty.end()
  })

  it(
    'PC-71 a station name full of signs makes one 7-bit message, and so is the plain one after it',
    async () => {
      startTelling(recipient(), 'Käse µ[°]€'.repeat(20))
      delivery.tell(raised('pm10-high', 1), now())
      await untilDelivered(1)
      delivery.tell(raised('pm10-day', 2), now())
      await untilDelivered(2)
      expect(fake.taken).toHaveLength(2)
      for (const { text, alphabet } of fake.taken) {
        expect(alphabet).toBe('7-bit')
        expect(text.length).toBeLessThanOrEqual(160)
        expect(text).toMatch(/PM10 .*162.* ug\/m3 .*above 150.*Code [A-Z0-9]{4}/)
        expect(text).not.toContain('undefined')
        expect(text).not.toMatch(/[^\x20-\x7e]/)
      }
    },
    3 * minute,
  )

  it(
    'PC-72 a modem that says only errors for 90 s, and then one that answers 60 s late, cost one message each',
    async () => {
      fake.isBooting = true
      const from = now()
      startTelling(recipient())
      delivery.tell(raised('pm10-high', 1), from)
      await waitFor('90 s', () => now() - from >= 90, 60)
      expect(fake.taken).toEqual([])
      fake.isBooting = false
      await untilDelivered(1)
      expect(fake.taken).toHaveLength(1)
      fake.submission = { lateSeconds: 60 }
      delivery.tell(raised('pm10-day', 2), now())
      await untilDelivered(2)
      expect([fake.taken.length, handed()]).toEqual([2, 2])
    },
    4 * minute,
  )

  it(
    'PC-73 a modem that stops at its prompt and comes back as another device is used again, and the second channel did not wait',
    async () => {
      fake.submission = 'hangs at the prompt'
      const from = now()
      startTelling(recipient([{ way: 'webhook', to: 'https://alerts.test/dust', nextAfterSeconds: 600 }]))
      delivery.tell(raised('pm10-high', 1), from)
      await waitFor('the second channel', () => byWebhook.length > 0, 90)
      expect(byWebhook[0] - from).toBeLessThan(120)
      expect(fake.isSilent).toBe(true)
      await pty.unplug()
      fake.end()
      await pty.replug()
      fake = startFakeModem(pty, timesFaster)
      delivery.tell(raised('pm10-day', 2), now())
      await untilDelivered(1)
      expect(fake.taken.length).toBeGreaterThan(0)
    },
    4 * minute,
  )
})
