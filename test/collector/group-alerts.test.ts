import { describe, expect, it } from 'vitest'
import { GroupAlerts, type GroupAlertOptions, type Judged } from '../../agent/collector/collector.js'
import { judge, usualRules } from '../../agent/collector/judge.js'
import { StationsSeen, type Heard } from '../../agent/collector/seen.js'
import { checkTemplate, usualDelivery, type Recipient, type Template } from '../../agent/delivery/delivery.js'
import {
  good,
  InFlight,
  monoSeconds,
  utcMillis,
  type EventLine,
  type FaultCode,
  type IncomingText,
  type LocalDay,
  type OutgoingMessage,
} from '../../agent/terms/terms.js'

const start = Date.UTC(2026, 2, 1)
const here = 'at the collector'

/** The collector's store, which a restart leaves, and the messages that went out. */
class Rig {
  readonly lines: EventLine[] = []
  readonly sent: OutgoingMessage[] = []
  readonly stations = new StationsSeen(10)
  private readonly works = new InFlight()
  readonly faults: string[] = []
  readonly standing: { code: FaultCode }[] = []
  readonly retired = new Set<string>()
  /** SMS that wait in the modem. */
  inbox: IncomingText[] = []
  private alerts: GroupAlerts
  now = monoSeconds(1000)

  constructor(private readonly more: Partial<GroupAlertOptions> & { readonly daily?: boolean } = {}) {
    this.alerts = this.make()
  }

  private make(): GroupAlerts {
    const { daily, ...options } = this.more
    const ways = [
      { way: 'webhook', to: 'https://desk.example.org/hook', nextAfterSeconds: 600 },
      { way: 'sms', to: '+15550100', nextAfterSeconds: 600 },
    ] as const
    const person: Recipient = {
      alias: 'desk',
      ways,
      least: 'low',
      dailyLine: daily ? ['webhook'] : [],
      mostSmsADay: 1,
      mayAnswer: true,
    }
    return new GroupAlerts(
      {
        ...{ group: 'oakfield', place: { timeZone: 'UTC', standardOffsetMinutes: 0 } },
        delivery: { ...usualDelivery, recipients: [person] },
        ...options,
      },
      {
        ...{ storeId: 'collector-1', boot: '0a1b2c3d', random: { next: () => 0.5 } },
        mono: () => this.now,
        utc: () => this.at().utc,
        ways: new Map([
          ['webhook', { name: 'webhook', send: (message: OutgoingMessage) => this.send(message) }],
        ]),
        faults: {
          raise: (where, { code, detail }) => this.faults.push(`${where}: ${code} ${detail}`),
          clear: () => undefined,
        },
        standing: () => this.standing,
        retired: () => this.retired,
        modem: {
          texts: (heard) => {
            for (const text of this.inbox.splice(0)) heard(text)
            return Promise.resolve(good(undefined))
          },
          standing: (link) => Promise.resolve(good(`registered, link ${link}`)),
        },
        event: (mono, name, details) => {
          const seq = this.lines.length + 1
          const line = {
            kind: 'event',
            seq,
            boot: '0a1b2c3d',
            mono,
            utc: this.at().utc,
            name,
            details,
          } as const
          this.lines.push(line)
          return line
        },
        safe: () => Promise.resolve(true),
        track: (work) => this.works.track(work),
      },
    )
  }

  private send(message: OutgoingMessage) {
    this.sent.push(message)
    return Promise.resolve(good({ parts: 1, words: 'taken' }))
  }

  restart(): void {
    this.alerts = this.make()
    this.alerts.restore([...this.lines], this.now)
  }

  at(): Heard & { utc: ReturnType<typeof utcMillis> } {
    return { listenedSeconds: this.now, utc: utcMillis(start + this.now * 1000) }
  }

  says(station: string): void {
    this.stations.take(station, { kind: 'alive', alive: { state: 'running' } }, this.at(), false)
  }

  acknowledge(what: string) {
    return this.alerts.acknowledge(what, here)
  }

  raisedOf() {
    return this.alerts.raisedOf()
  }

  status() {
    return this.alerts.status()
  }

  modem() {
    return this.alerts.modemStanding()
  }

  async test(alias: string) {
    const begun = [this.alerts.beginTest(alias), this.alerts.beginTest(alias)]
    await this.works.settled()
    return { begun, result: this.alerts.testResult }
  }

  mute(what: string, hours: number) {
    return this.alerts.mute(what, hours * 3600, here)
  }

  private judged(): Judged[] {
    const group = { rules: usualRules, twins: new Map() }
    const watched = this.stations.all().filter(({ station }) => !this.retired.has(station))
    return watched.map((seen) => ({ seen, judgement: judge(seen, group, this.at()) }))
  }

  async live(seconds: number, connected = true): Promise<void> {
    for (const end = this.now + seconds; this.now < end;) {
      this.now = monoSeconds(this.now + 10)
      this.alerts.step(this.judged(), connected, this.now)
      await this.works.settled()
    }
  }

  texts(): string[] {
    return this.sent.map(({ text }) => text.replace(/ Code .*/, ''))
  }
}

describe('what people are told by a collector', () => {
  it('is that a station is silent, once, over a restart too, and that it is back', async () => {
    const rig = new Rig()
    rig.restart()
    rig.says('st-1')
    await rig.live(179 * 60)
    expect(rig.texts()).toEqual([])
    await rig.live(120)
    expect(rig.texts()).toEqual([expect.stringContaining('oakfield: st-1 is silent since')])
    expect(rig.texts()[0]).toContain('nothing heard for 180 min')
    expect(rig.lines.map(({ name }) => name)).toContain('delivery')
    rig.restart()
    await rig.live(3600)
    expect(rig.sent).toHaveLength(1)
    rig.says('st-1')
    await rig.live(60)
    expect(rig.texts().slice(1)).toEqual([
      expect.stringMatching(/^oakfield: over since .*: st-1 is silent\.$/),
    ])
  })

  it('is not that a station is back of which nothing was heard since the start', async () => {
    const rig = new Rig()
    rig.restart()
    rig.says('st-1')
    await rig.live(181 * 60)
    const forgetful = new Rig()
    forgetful.lines.push(...rig.lines)
    forgetful.now = rig.now
    forgetful.restart()
    forgetful.stations.know('st-1', forgetful.at())
    await forgetful.live(3600)
    expect(forgetful.texts()).toEqual([])
  })

  it('is not told of again once somebody acknowledged or muted it, over a restart too', async () => {
    const rig = new Rig()
    rig.restart()
    rig.says('st-1')
    await rig.live(181 * 60)
    expect(rig.acknowledge('nothing-of-that-name')).toMatchObject({ done: false })
    const code = / Code (\w{4})/.exec(rig.sent[0].text)?.[1] ?? 'none'
    expect(rig.acknowledge(code)).toEqual({ done: true, words: 'silent st-1: acknowledged' })
    rig.restart()
    expect(rig.acknowledge('silent st-1').words).toBe('silent st-1 is acknowledged by at the collector')
    expect(rig.mute('silent st-1', 12)).toMatchObject({ done: true })
    rig.restart()
    rig.says('st-1')
    await rig.live(60)
    await rig.live(181 * 60)
    expect(rig.lines.filter(({ details }) => details.rule === 'silent st-1').map(({ name }) => name)).toEqual(
      expect.arrayContaining(['alert', 'acknowledged', 'muted']),
    )
    expect(rig.sent).toHaveLength(1)
    expect(rig.acknowledge('silent st-1').done).toBe(true)
  })

  it('ends where the station was taken away, in words of its own, over a restart too', async () => {
    const rig = new Rig()
    rig.restart()
    for (const station of ['st-1', 'st-2']) rig.says(station)
    await rig.live(181 * 60)
    expect(rig.sent).toHaveLength(2)
    rig.restart()
    expect(rig.raisedOf()).toEqual(['st-1', 'st-2'])
    rig.retired.add('st-1')
    await rig.live(60)
    expect(rig.texts().slice(2)).toEqual([
      expect.stringMatching(
        /^oakfield: over since .*: st-1 is watched no more: by the register it was taken away\.$/,
      ),
    ])
    rig.restart()
    expect(rig.raisedOf()).toEqual(['st-2'])
    await rig.live(24 * 3600)
    expect(rig.sent).toHaveLength(3)
  })

  it('is that the collector itself has no connection for half an hour', async () => {
    const rig = new Rig()
    rig.restart()
    await rig.live(1790, false)
    expect(rig.texts()).toEqual([])
    await rig.live(60, false)
    expect(rig.texts()).toEqual([
      expect.stringContaining('oakfield: the collector does not reach its broker'),
    ])
    await rig.live(60)
    expect(rig.texts()).toHaveLength(2)
  })

  it('is each day that it lives, how many stations are well and which are not, and its own trouble', async () => {
    const rig = new Rig({ daily: true })
    rig.restart()
    for (const station of ['st-1', 'st-2', 'st-3', 'st-4', 'st-5']) rig.says(station)
    await rig.live(5 * 3600)
    for (const minute of [0, 70]) {
      await rig.live(minute * 60)
      rig.says('st-5')
    }
    const isDaily = ({ text }: OutgoingMessage): boolean => text.includes('alive')
    await rig.live(3600)
    expect(rig.sent.filter(isDaily).map(({ subject, text }) => [subject, text])).toEqual([
      [
        'oakfield: alive',
        'oakfield: collector alive 1 Mar 07:00. 5 stations, 1 well; silent: st-1, st-2, st-3 and 1 more.',
      ],
    ])
    rig.standing.push({ code: 'disk-full' })
    rig.restart()
    await rig.live(24 * 3600)
    expect(rig.sent.filter(isDaily)).toHaveLength(2)
    expect(rig.sent.filter(isDaily)[1].text).toMatch(/ Trouble of the collector: 1 \(.+\)\.$/)
  })

  it('is in the words of the settings where they have some', async () => {
    const own = (text: string): Template => {
      const checked = checkTemplate(text)
      return checked.ok ? checked.template : []
    }
    const templates = { trouble: own('LOOK {what}! {code}'), daily: own('{station}: {stations}') }
    const rig = new Rig({ daily: true, templates })
    rig.restart()
    rig.says('st-1')
    await rig.live(8 * 3600)
    expect(rig.sent.map(({ text }) => text)).toEqual([
      expect.stringMatching(/^LOOK st-1 is silent! \w{4}$/),
      'oakfield: 1 station, 0 well; silent: st-1',
    ])
  })

  it('can be acknowledged by SMS, at the next look into the modem', async () => {
    const rig = new Rig()
    rig.restart()
    rig.says('st-1')
    await rig.live(181 * 60)
    const code = / Code (\w{4})/.exec(rig.sent[0].text)?.[1] ?? 'none'
    rig.inbox = [
      { from: '+15550199', text: code },
      { from: '+15550100', text: code },
    ]
    await rig.live(120)
    expect(rig.status()).toMatchObject({
      rules: [{ rule: 'silent st-1', state: 'raised', acknowledgedBy: 'desk' }],
      textsIgnored: 1,
    })
    expect(rig.modem()?.words).toBe('registered, link not used')
  })

  it('can be tried with a test message', async () => {
    const rig = new Rig()
    expect(await rig.test('desk')).toMatchObject({
      begun: [true, false],
      result: [
        { way: 'webhook', delivered: true },
        { way: 'sms', delivered: false },
      ],
    })
    expect(rig.texts()).toEqual([expect.stringMatching(/^oakfield: test message, sent /)])
  })

  it('is not the last day of its SIM: that is a fault of the collector', async () => {
    const rig = new Rig({ sim: { validUntil: '2026-03-20' as LocalDay } })
    rig.restart()
    await rig.live(60)
    expect(rig.faults).toEqual([expect.stringMatching(/^modem: sim-ends .*2026-03-20/)])
  })
})
