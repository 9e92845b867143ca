import { describe, expect, it } from 'vitest'
import { GroupAlerts, type Judged } from '../../agent/collector/collector.js'
import { judge, usualRules } from '../../agent/collector/judge.js'
import { StationsSeen, type Heard } from '../../agent/collector/seen.js'
import { usualDelivery } from '../../agent/delivery/delivery.js'
import {
  good,
  InFlight,
  monoSeconds,
  utcMillis,
  type EventLine,
  type OutgoingMessage,
} from '../../agent/terms/terms.js'

const start = Date.UTC(2026, 2, 1)

/** The collector's store, which a restart leaves, and the messages that went out. */
class Rig {
  readonly lines: EventLine[] = []
  readonly sent: OutgoingMessage[] = []
  readonly stations = new StationsSeen(10)
  private readonly works = new InFlight()
  private alerts = this.make()
  now = monoSeconds(1000)

  private make(): GroupAlerts {
    const ways = [{ way: 'webhook', to: 'https://desk.example.org/hook', nextAfterSeconds: 600 }] as const
    const person = {
      alias: 'desk',
      ways,
      least: 'low',
      dailyLine: [],
      mostSmsADay: 1,
      mayAnswer: false,
    } as const
    return new GroupAlerts(
      {
        ...{ group: 'oakfield', place: { timeZone: 'UTC', standardOffsetMinutes: 0 } },
        delivery: { ...usualDelivery, recipients: [person] },
      },
      {
        ...{ storeId: 'collector-1', boot: '0a1b2c3d', random: { next: () => 0.5 } },
        mono: () => this.now,
        utc: () => this.at().utc,
        ways: new Map([
          ['webhook', { name: 'webhook', send: (message: OutgoingMessage) => this.send(message) }],
        ]),
        faults: { raise: () => undefined, clear: () => undefined },
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
    return this.alerts.acknowledge(what, this.now)
  }

  mute(what: string, hours: number) {
    return this.alerts.mute(what, hours * 3600, this.now)
  }

  private judged(): Judged[] {
    const group = { rules: usualRules, twins: new Map() }
    return this.stations.all().map((seen) => ({ seen, judgement: judge(seen, group, this.at()) }))
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
})
