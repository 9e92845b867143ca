import { describe, expect, it } from 'vitest'
import type { WayName } from '../../agent/delivery/delivery.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationPorts } from '../../agent/station/station.js'
import { answerRequest } from '../../agent/station/station.js'
import { bad, good, type EventLine, type MessageWay, type OutgoingMessage } from '../../agent/terms/terms.js'
import { dustRule, tellingOne } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'

/** A way that keeps what it was given, and fails while it is told to. */
class KeptWay implements MessageWay {
  readonly sent: OutgoingMessage[] = []
  fails = false
  /** What the newest safe number was when each message went. */
  readonly safeWhenSent: number[] = []

  constructor(
    readonly name: WayName,
    private readonly safeSeq: () => number,
  ) {}

  send(message: OutgoingMessage) {
    this.sent.push(message)
    this.safeWhenSent.push(this.safeSeq())
    return Promise.resolve(
      this.fails ? bad('sms-not-registered', 'no network') : good({ parts: 1, words: 'taken' }),
    )
  }
}

const number = '+10005550100'
const telling = tellingOne('sms', number, 60, { dailyLine: ['sms'] })

interface Life {
  readonly way: () => KeptWay
  readonly texts: { from: string; text: string }[]
  readonly rig: Rig
}

async function live(
  pm2_5: (at: number) => number,
  disk = new MemoryDisk(),
  state?: StationPorts['state'],
  boot = 'b0070001-0000-4000-8000-000000000001',
  utc = startUtc,
): Promise<Life> {
  const clock = newClock(boot, utc)
  const texts: { from: string; text: string }[] = []
  let way: KeptWay | undefined
  const rig = await startRig(clock, disk, {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5 }), options: {} }],
    options: { rules: [dustRule], telling },
    ...(state ? { state } : {}),
    ports: (store) => {
      way = new KeptWay('sms', () => store.safeSeq)
      return {
        telling: {
          ways: new Map([['sms', way]]),
          random: { next: () => 0 },
          modem: {
            texts: (heard) => {
              texts.splice(0).forEach(heard)
              return Promise.resolve(good(undefined))
            },
            standing: () => Promise.resolve(good('registered')),
          },
        },
      }
    },
  })
  return { way: () => way!, texts, rig }
}

const events = async (rig: Rig, name: string): Promise<EventLine[]> =>
  (await rig.lines()).filter((line): line is EventLine => line.kind === 'event' && line.name === name)

const dusty = (from: number, to: number) => (at: number) => (at > from && at < to ? 80 : 10)
const texts = (way: KeptWay): string[] => way.sent.map(({ text }) => text)

describe('a station with somebody to tell', () => {
  it('tells a raise and its end in one SMS each, after their lines were safe', async () => {
    const { rig, way } = await live(dusty(600, 1200))
    await rig.live(1500)
    expect(texts(way())).toEqual([
      expect.stringMatching(
        /^rig: PM2\.5 1-min mean 7\d\.\d\d ug\/m3 uncorrected, above 50 since 01:\d\d\. Data 100%\. Code \w+$/,
      ),
      expect.stringMatching(
        /^rig: PM2\.5 back below 40 since 01:\d\d \(1-min mean 10\.00 ug\/m3 uncorrected\)\. Data 100%\. Code \w+$/,
      ),
    ])
    const lines = await events(rig, 'alert')
    lines.forEach(({ seq }, i) => expect(way().safeWhenSent[i]).toBeGreaterThan(seq))
    expect((await events(rig, 'delivery')).map(({ details }) => details.state)).toEqual([
      'due',
      'trying',
      'delivered',
      'due',
      'trying',
      'delivered',
    ])
    expect(JSON.stringify(await rig.lines())).not.toContain(number)
  })

  it('says a raise and its end in one message when the modem finds no network in between', async () => {
    const { rig, way } = await live(dusty(600, 1200))
    way().fails = true
    await rig.live(1400)
    way().fails = false
    const before = way().sent.length
    await rig.live(3600)
    expect(before).toBeGreaterThan(2)
    expect(texts(way()).slice(before)).toEqual([
      expect.stringMatching(/mean was above 50 ug\/m3 from .* back below 40/),
    ])
    expect(rig.codes()).not.toContain('sms-not-registered')
  })

  it('says nothing twice after a restart, and what the kill kept from being told', async () => {
    const disk = new MemoryDisk()
    const first = await live(dusty(600, 9999), disk)
    first.way().fails = true
    await first.rig.live(900)
    expect(first.way().sent.length).toBeGreaterThan(0)
    // Killed: nothing is stopped, the disk keeps what was synced.
    const second = await live(
      () => 80,
      disk,
      undefined,
      'b0070002-0000-4000-8000-000000000002',
      startUtc + 1_000_000,
    )
    await second.rig.live(600)
    expect(texts(second.way())).toEqual([expect.stringContaining('above 50')])
    await second.rig.station.stop('end')
    const third = await live(
      () => 80,
      disk,
      undefined,
      'b0070003-0000-4000-8000-000000000003',
      startUtc + 2_000_000,
    )
    await third.rig.live(600)
    expect(texts(third.way())).toEqual([])
  })

  it('goes on from its checkpoint as it would from its lines', async () => {
    const disk = new MemoryDisk()
    let kept: unknown
    const state = {
      load: () => Promise.resolve(good(kept)),
      save: (value: unknown) => {
        kept = JSON.parse(JSON.stringify(value))
        return Promise.resolve(good(undefined))
      },
    }
    const first = await live(dusty(600, 99_999), disk, state)
    await first.rig.live(900)
    await first.rig.station.stop('end')
    expect((kept as { delivery: string[] }).delivery.length).toBeGreaterThan(1)
    const second = await live(
      dusty(0, 300),
      disk,
      state,
      'b0070002-0000-4000-8000-000000000002',
      startUtc + 1_000_000,
    )
    await second.rig.live(1200)
    const [raised, over] = [...texts(first.way()), ...texts(second.way())]
    expect(over).toMatch(/back below 40/)
    expect(over!.slice(-4)).toBe(raised!.slice(-4))
    expect(second.way().sent).toHaveLength(1)
  })

  it('takes an SMS with the code from a listed number as acknowledged, and no other', async () => {
    const { rig, way, texts: incoming } = await live(dusty(600, 9999))
    await rig.live(900)
    const code = texts(way())[0]!.slice(-4).trim()
    incoming.push({ from: '+10005550199', text: code })
    await rig.live(1000)
    expect(await events(rig, 'acknowledged')).toEqual([])
    incoming.push({ from: number, text: code.toLowerCase() })
    await rig.live(1100)
    expect((await events(rig, 'acknowledged')).map(({ details }) => details.by)).toEqual(['ann'])
  })

  it('answers acknowledge, mute and send-test over its control socket, and shows it in its status', async () => {
    const { rig, way } = await live(dusty(600, 9999))
    await rig.live(900)
    const ask = (request: unknown) => answerRequest(rig.station, request)
    expect(await ask({ do: 'acknowledge', what: 'dust' })).toEqual({ ok: true, words: 'dust: acknowledged' })
    expect(await ask({ do: 'acknowledge', what: 'ZZZZ' })).toMatchObject({ ok: false })
    expect(await ask({ do: 'mute', what: 'dust', hours: 12 })).toMatchObject({ ok: true })
    expect(await ask({ do: 'mute', what: 'dust' })).toMatchObject({ ok: false })
    expect(await ask({ do: 'send-test', to: 'nobody' })).toMatchObject({ ok: false })
    expect(await ask({ do: 'send-test', to: 'ann' })).toMatchObject({ ok: true })
    await rig.station.settled()
    expect(await ask({ do: 'test-result' })).toMatchObject({
      ok: true,
      tests: [{ way: 'sms', delivered: true }],
    })
    expect(texts(way()).at(-1)).toMatch(/^rig: test message/)
    const { delivery } = await rig.station.status()
    expect(delivery?.rules.find(({ rule: name }) => name === 'dust')).toMatchObject({
      acknowledgedBy: 'at the station',
      told: ['ann'],
    })
    expect(JSON.stringify(await rig.station.status())).not.toContain(number)
  })

  it('sends a line each day at its hour of the watch, with means, data and trouble', async () => {
    const { rig, way } = await live(() => 10)
    await rig.live(7 * 3600)
    const [daily, ...more] = texts(way())
    expect(daily).toMatch(
      /^rig: alive 1 Mar 07:0\d\. 24-h mean PM2\.5 10\.0, PM10 \d+\.\d ug\/m3 uncorrected, data 99%\. No trouble\.$/,
    )
    expect(more).toEqual([])
  })
})
