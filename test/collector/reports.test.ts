import { describe, expect, it } from 'vitest'
import { readReport, reportLimits } from '../../agent/collector/reports.js'
import { isBalanced, monoSeconds, utcMillis, type StageCounts } from '../../agent/terms/terms.js'
import { Collector, usualCollector } from '../../agent/collector/collector.js'
import { aliveMessage } from '../../agent/uplink/alive.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { FaultLog, MadeArchive } from '../support/uplink-rig.js'
import { repeatable } from '../support/made-lines.js'

const bytes = (text: string): Uint8Array => new TextEncoder().encode(text)
const topic = (what: string, station = 'st-1'): string => `motepost/1/oakfield/${station}/${what}`
const reasonOf = (at: string, payload: Uint8Array): string => {
  const read = readReport(at, payload, 'oakfield')
  return read.ok ? 'taken' : read.reason
}
const running = '{"v":1,"state":"running","boot":"aa","session":1,"next_contact_s":3600}'

describe('what a station says of itself', () => {
  it('is taken under the names of a group, its stations and rules, and no other', () => {
    expect(reasonOf(topic('alive'), bytes(running))).toBe('taken')
    expect(reasonOf(topic('alerts/pm10-day'), bytes('{"v":1,"state":"raised"}'))).toBe('taken')
    for (const station of ['', '..', 'A', '<b>', 'a b', '-a', 'a'.repeat(33), '%2e'])
      expect(reasonOf(topic('alive', station), bytes(running))).toBe('wrong-name')
    for (const what of ['alive/x', 'alerts', 'alerts/a/b', 'alerts/..', 'alerts/', 'health/'])
      expect(reasonOf(topic(what), bytes(running))).toBe('wrong-topic')
    expect(reasonOf('motepost/1/other/st-1/alive', bytes(running))).toBe('wrong-name')
    expect(reasonOf(topic('command'), bytes(running))).toBe('not-understood')
  })

  it('is refused before decoding where it would cost too much', () => {
    const { bytes: most, depth, items } = reportLimits
    expect(reasonOf(topic('health'), new Uint8Array(most + 1))).toBe('too-long')
    const nested = (n: number) => bytes(`{"v":1,"a":${'['.repeat(n)}${']'.repeat(n)}}`)
    expect(reasonOf(topic('health'), nested(depth - 1))).toBe('taken')
    expect(reasonOf(topic('health'), nested(depth))).toBe('too-deep')
    expect(reasonOf(topic('health'), bytes(`{"v":1,"a":[${'0,'.repeat(items)}0]}`))).toBe('too-many')
    expect(reasonOf(topic('health'), bytes('{"v":1,"a":"[[[[[[[[[[[,,\\"[[["}'))).toBe('taken')
  })

  it('is refused where it is no object of this format, and its values are believed only in their types', () => {
    for (const text of ['', 'null', '[]', '"x"', '{"v":1', '\xff', '{"a":1}{', 'NaN'])
      expect(reasonOf(topic('health'), bytes(text)), text).toMatch(/^not-/)
    expect(reasonOf(topic('alive'), bytes('{"v":2,"state":"running"}'))).toBe('not-understood')
    expect(reasonOf(topic('alive'), bytes('{"v":1,"state":"dancing"}'))).toBe('not-understood')
    const odd = `{"v":1,"at":5,"faults":[1,{"code":"x\\u001b[2J\\u202e","for_s":"long"}],"uplink":7,"instruments":[{"screening":{"taken":"many","refused":[9]}}],"mono_s":1e999,"__proto__":{"x":1}}`
    const read = readReport(topic('health'), bytes(odd), 'oakfield')
    expect(read).toMatchObject({
      report: { health: { faults: [{ code: 'x [2J ', detail: '', forSeconds: 0 }], readings: { taken: 0 } } },
    })
    expect(Object.keys(read.ok && read.report.kind === 'health' ? read.report.health : {}).sort()).toEqual([
      'faults',
      'readings',
    ])
  })

  it('is believed only where it can be true: no age, promise or count spoils what is made of it', () => {
    const health = `{"v":1,"at":"2026-03-01T00:00:00Z","faults":[{"code":"disk-full","for_s":1e300}],"clock_error_s":-1,"instruments":[{"screening":{"taken":1e308,"refused":{"constructor":5,"toString":-1,"spike":1e308}}}]}`
    expect(readReport(topic('health'), bytes(health), 'oakfield')).toMatchObject({
      report: {
        health: {
          faults: [{ forSeconds: 0 }],
          readings: { taken: 0, refused: { constructor: 5, toString: 0, spike: 0 } },
        },
      },
    })
    const alive = '{"v":1,"state":"running","next_contact_s":1e15,"every_s":-1}'
    expect(readReport(topic('alive'), bytes(alive), 'oakfield')).toMatchObject({
      report: { alive: { state: 'running' } },
    })
    const read = readReport(topic('alive'), bytes(alive), 'oakfield')
    expect(read.ok && read.report.kind === 'alive' && Object.keys(read.report.alive)).toEqual(['state'])
  })
})

describe('a collector that hears them', () => {
  const start = Date.UTC(2026, 2, 1)
  function rig(broker = new MemoryBroker(), options: { mostStores?: number } = {}) {
    let now = monoSeconds(1000)
    const faults = new FaultLog()
    const collector = new Collector(
      { ...usualCollector, group: 'oakfield', ...options },
      {
        ...{ broker: broker.client('collector'), random: { next: repeatable(2) }, faults },
        openArchive: () => Promise.resolve({ ok: true, value: new MadeArchive() }),
        utc: () => utcMillis(start + now * 1000),
      },
    )
    const live = async (seconds: number) => {
      for (const end = now + seconds; now < end;) {
        now = monoSeconds(Math.min(end, now + 60))
        collector.step(now)
        await collector.settled()
      }
    }
    const say = (what: string, text: string, station?: string) =>
      broker.publish({ topic: topic(what, station), payload: bytes(text), retained: true }, 'hand')
    const stations = () =>
      collector.status(now).stations as { station: string; state: string; heard_at?: string }[]
    return { broker, collector, faults, live, say, stations, status: () => collector.status(now) }
  }

  it('says how each stands, with a shape beside the word, and counts what it refused', async () => {
    const { live, say, status, stations, faults } = rig()
    await live(60)
    say('alive', running)
    say('alive', running, 'st-2')
    say('health', '{', 'st-2')
    say('alive', running, '..')
    await live(80 * 60)
    say('alive', running, 'st-2')
    await live(60)
    expect(stations()).toMatchObject([
      { station: 'st-1', state: 'late', shape: '◐', alive: 'running', next_contact_s: 3600 },
      { station: 'st-2', state: 'well', shape: '●', refused: { 'not-json': 1 } },
    ])
    const { reports } = status() as { reports: StageCounts }
    expect(reports).toMatchObject({ taken: 5, given: 3, refused: { 'not-json': 1, 'wrong-name': 1 } })
    expect(isBalanced(reports)).toBe(true)
    expect(status().refused_lately).toEqual([
      { topic: topic('health', 'st-2'), reason: 'not-json' },
      { topic: topic('alive', '..'), reason: 'wrong-name' },
    ])
    expect(faults.standing).toContain('pack-refused')
  })

  it('knows after a restart when each was last heard, and counts on from there', async () => {
    const first = rig()
    await first.live(60)
    first.say('alive', running)
    await first.live(100 * 60)
    const status: unknown = JSON.parse(JSON.stringify(first.status()))
    await first.collector.stop()
    const second = rig(first.broker)
    second.collector.restore(status)
    await second.live(60)
    expect(second.stations()).toMatchObject([{ station: 'st-1', state: 'late' }])
    await second.live(85 * 60)
    expect(second.stations()).toMatchObject([{ state: 'silent', heard_at: first.stations()[0].heard_at }])
    second.broker.publish(
      { topic: topic('alive'), payload: aliveMessage('running', { boot: 'aa', session: 2 }), retained: true },
      'st-1',
    )
    await second.live(60)
    expect(second.stations()).toMatchObject([{ state: 'well' }])
  })

  it('begins anew with a status that is none, and keeps to its bound of stations', async () => {
    const { collector, live, say, stations, status } = rig(undefined, { mostStores: 3 })
    for (const odd of [
      undefined,
      null,
      7,
      [],
      { group: 'oakfield', listened_s: -1 },
      { group: 'oakfield', listened_s: 5, stations: [{ station: '../x' }, 3] },
    ])
      collector.restore(odd)
    await live(60)
    for (let n = 0; n < 1000; n++) say('alive', running, `name-${n}`)
    await live(60)
    expect(stations().map(({ station }) => station)).toEqual(['name-0', 'name-1', 'name-2'])
    expect(status().reports).toMatchObject({ taken: 1000, given: 3, refused: { 'too-many-stations': 997 } })
    expect(status().refused_lately).toHaveLength(20)
  })
})
