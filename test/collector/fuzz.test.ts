/**
 * What any station, or whoever has its password, can say to a collector beside lines: nothing may throw or cost without bound, what
 * is taken must stay within its bounds, each message is counted once, and no message may spoil how the others are judged.
 */
import { describe, expect, it } from 'vitest'
import { Collector, usualCollector } from '../../agent/collector/collector.js'
import { readReport, reportLimits, type Report } from '../../agent/collector/reports.js'
import { StationsWatch } from '../../agent/collector/watch.js'
import { usualRules } from '../../agent/collector/judge.js'
import { statusOf } from '../../agent/collector/status.js'
import { readCollectorStatus } from '../../agent/cli/stations-status-shape.js'
import { Spool } from '../../agent/collector/spool.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { isBalanced, monoSeconds, readBoundedJson, utcMillis } from '../../agent/terms/terms.js'
import {
  longestParsed,
  must,
  Mutations,
  oddTexts,
  throughAll,
  throughAllInTurn,
} from '../support/mutations.js'
import { repeatable } from '../support/made-lines.js'
import { FaultLog, MadeArchive } from '../support/uplink-rig.js'

const group = 'oakfield'
const nowUtc = Date.UTC(2026, 2, 1)
const health = {
  ...{ v: 1, boot: '0a1b2c3d', session: 3, at: '2026-03-01T00:00:00Z', mono_s: 900, clock_error_s: 0.2 },
  faults: [{ code: 'disk-full', detail: 'sda1', for_s: 300, words: 'x' }],
  uplink: { backlog: 3, waits: 'nothing', budget: { last_24_h_kb: 2, budget_kb: 5 } },
  energy: { state_of_charge: 80, days_to_reserve: { normal: 12 }, plan: 'full' },
  ...{ store: { id: 'store-1' }, software: '0.1.0', settings: '0011223344556677' },
  instruments: [{ screening: { taken: 4000, given: 3900, refused: { 'warm-up': 60, spike: 40 } } }],
}
const said: Readonly<Record<string, unknown>> = {
  health,
  alive: { v: 1, state: 'running', boot: '0a1b2c3d', session: 3, next_contact_s: 3600, every_s: 900 },
  averages: { v: 1, channels: { pm2_5: { '24-h': { data_capture_percent: 99, mean: 12 } } } },
  'alerts/fan-or-inlet': { v: 1, state: 'raised', at: '2026-03-01T00:00:00Z' },
}
const kinds = Object.keys(said)

interface Heard {
  readonly topic: string
  readonly payload: Uint8Array
}

function messageOf(mutations: Mutations): Heard {
  const kind = mutations.of(kinds)
  const station = mutations.once(20) ? mutations.of(oddTexts) : mutations.of(['st-1', 'st-2', 'constructor'])
  const whole = `motepost/1/${group}/${station}/${mutations.once(20) ? mutations.of(kinds) : kind}`
  const topic = mutations.once(30) ? mutations.bentText(whole) : whole
  const text = (value: unknown): Uint8Array => Buffer.from(JSON.stringify(value) ?? '')
  const payload = mutations.of([
    () => text(mutations.bentValue(said[kind])),
    () => text(mutations.bentValue(said[kind])),
    () => mutations.bent(text(said[kind]), text(health)),
    () => mutations.noise(),
    () => Buffer.from('{"v":1,"a":' + mutations.of(['[', '{"a":', '"', '1,']).repeat(mutations.pick(5000))),
  ])()
  return { topic, payload }
}

/** Every number and text in it. */
function leavesOf(value: unknown): (number | string)[] {
  if (typeof value === 'number' || typeof value === 'string') return [value]
  return typeof value === 'object' && value !== null
    ? [...Object.keys(value), ...Object.values(value).flatMap(leavesOf)]
    : []
}

const plain = /^[^\p{Cc}\u202a-\u202e\u2066-\u2069]*$/u
const aWeek = 7 * 86_400

/** The stated bounds of a report: finite numbers, short texts of one line, promises and ages that can be true. */
function holdsBounds(report: Report): void {
  holdsLeaves(report, 160)
  if (report.kind === 'alive')
    for (const seconds of [report.alive.nextContactSeconds ?? 0, report.alive.everySeconds ?? 0])
      must(seconds >= 0 && seconds <= aWeek, `a promise of ${seconds} s`)
  if (report.kind === 'averages') {
    const { capturePercent = 0 } = report.averages
    must(capturePercent >= 0 && capturePercent <= 100, `${capturePercent} %`)
  }
  if (report.kind !== 'health') return
  must(report.health.faults.length <= 64, 'too many faults')
  for (const count of Object.values(report.health.readings?.refused ?? {}))
    must(Number.isSafeInteger(count) && count >= 0, `a count of ${String(count)}`)
}

function holdsLeaves(value: unknown, longest: number): void {
  for (const leaf of leavesOf(value))
    if (typeof leaf === 'number') must(Number.isFinite(leaf), `the number ${leaf}`)
    else must(leaf.length <= longest && plain.test(leaf), `the text ${JSON.stringify(leaf)}`)
}

describe('what a station says of itself, bent', () => {
  it('is taken within its bounds or refused with a reason, whatever it is', () => {
    const ends = throughAll({
      what: 'reports',
      inputs: 40_000,
      make: messageOf,
      hold: ({ topic, payload }) => {
        const { value: read, characters } = longestParsed(() => readReport(topic, payload, group))
        must(characters <= reportLimits.bytes, `${characters} characters were decoded`)
        if (!read.ok) return read.reason
        must(/^[a-z0-9][a-z0-9-]{0,31}$/.test(read.station), read.station)
        holdsBounds(read.report)
        return 'taken'
      },
    })
    expect(ends.get('taken')).toBeGreaterThan(5000)
    expect(ends.size).toBeGreaterThan(7)
  })

  it('never keeps the collector from saying how all stand, and each message is counted once', () => {
    const watch = new StationsWatch({ group, mostStations: 20, rules: usualRules }, () => utcMillis(nowUtc))
    watch.step(monoSeconds(0), true)
    let n = 0
    throughAll({
      what: 'judged reports',
      inputs: 10_000,
      make: messageOf,
      hold: ({ topic, payload }) => {
        const now = monoSeconds(++n)
        const message = { topic, payload, retained: n % 3 === 0 }
        const refused = watch.receive(message, now)
        must(isBalanced(watch.counts()), JSON.stringify(watch.counts()))
        // Asked each time: a message that spoils the status would be found out by the next only.
        if (n % 20 === 0 || refused === undefined) {
          const judged = watch.judged(now)
          const words = JSON.stringify(judged.map(({ judgement }) => judgement))
          must(words.length < judged.length * 100_000, `${words.length} characters of words`)
          must(!/(NaN|Infinity) (%|days|records|of|min|h|s)\b|native code/.test(words), words)
        }
        return refused === undefined ? 'judged' : 'refused'
      },
    })
    expect(watch.stations.all().length).toBeLessThanOrEqual(20)
  })

  it('comes back from a status that anybody could have written, and goes out within bounds again', () => {
    const view = {
      ...{
        group,
        now: { listenedSeconds: 5, utc: utcMillis(nowUtc) },
        link: 'connected',
        lines: { added: 3 },
      },
      packs: { taken: 5, given: 4, held: 0, refused: { 'not-json': 1 } },
      ...{ reports: { taken: 0, given: 0, held: 0, refused: {} }, refusals: [['a/b', 'not-json'] as const] },
      ...{ faults: [{ code: 'disk-full', detail: 'sda1' } as const] },
    }
    const watch = new StationsWatch({ group, mostStations: 5, rules: usualRules }, () => utcMillis(nowUtc))
    watch.step(monoSeconds(0), true)
    const say = (kind: string) =>
      watch.receive(
        {
          topic: `motepost/1/${group}/st-1/${kind}`,
          payload: Buffer.from(JSON.stringify(said[kind])),
          retained: false,
        },
        monoSeconds(1),
      )
    for (const kind of kinds) expect(say(kind)).toBeUndefined()
    const status: unknown = JSON.parse(
      JSON.stringify(statusOf({ ...view, judged: watch.judged(monoSeconds(2)) })),
    )
    expect(readCollectorStatus(status)?.stations).toHaveLength(1)
    const ends = throughAll({
      what: 'status of a collector',
      inputs: 10_000,
      make: (mutations) => mutations.bentValue(status),
      hold: (bent) => {
        const again = new StationsWatch({ group, mostStations: 5, rules: usualRules }, () =>
          utcMillis(nowUtc),
        )
        again.restore(bent)
        again.step(monoSeconds(0), true)
        JSON.stringify(statusOf({ ...view, judged: again.judged(monoSeconds(1)) }))
        const read = readCollectorStatus(bent)
        holdsLeaves(read, 400)
        for (const one of read?.stations ?? [])
          for (const at of [one.heardAt, one.healthAt])
            must(at === undefined || /^\d{4}(-\d\d){2}T(\d\d:){2}\d\d(\.\d+)?Z$/.test(at), `the time ${at}`)
        return read === undefined ? 'none' : 'read'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(3000)
  })

  it('costs no more to look through than its bytes: depth and items are counted before', () => {
    throughAll({
      what: 'bounded JSON',
      inputs: 5000,
      make: (mutations) => mutations.bent(Buffer.from(JSON.stringify(health))),
      hold: (payload) => {
        const limits = { bytes: 900, depth: 4, items: 40 }
        const { value: read, characters } = longestParsed(() => readBoundedJson(payload, limits))
        if (!read.ok) {
          must(!read.reason.startsWith('too-') || characters === 0, 'decoded, and then refused')
          return read.reason
        }
        must(payload.length <= limits.bytes, 'too long')
        must(leavesOf(read.facts).length <= 3 * (limits.items + 1), 'too many')
        return 'read'
      },
    })
  })
})

describe('a collector under all of it at once', () => {
  it('balances packs and reports, and judges on', async () => {
    const broker = new MemoryBroker()
    let now = monoSeconds(0)
    const collector = new Collector(
      { ...usualCollector, group, mostStores: 10 },
      {
        ...{ broker: broker.client('collector'), random: { next: repeatable(2) }, faults: new FaultLog() },
        openArchive: () => Promise.resolve({ ok: true, value: new MadeArchive() }),
        utc: () => utcMillis(nowUtc + now * 1000),
      },
    )
    const live = async (): Promise<void> => {
      now = monoSeconds(now + 60)
      collector.step(now)
      await collector.settled()
    }
    await live()
    const mutations = new Mutations(7)
    for (let n = 0; n < 3000; n++) {
      const { topic, payload } = messageOf(mutations)
      const lines = mutations.once(3) ? `motepost/1/${group}/st-${mutations.pick(30)}/lines` : topic
      broker.publish({ topic: lines, payload, retained: mutations.once(2) }, 'hand')
      if (n % 100 === 0) await live()
    }
    await live()
    const status = collector.status(now) as { packs: never; reports: never; stations: readonly unknown[] }
    expect(isBalanced(status.packs) && isBalanced(status.reports)).toBe(true)
    expect(status.stations.length).toBeLessThanOrEqual(10)
    expect(collector.counts().taken).toBeGreaterThan(500)
    expect(collector.counts().held).toBe(0)
  })
})

describe('a spool that a run before left, bent', () => {
  it('gives whole packs of it and no others, and takes new ones', async () => {
    const disk = new MemoryDisk()
    const made = await Spool.open(disk)
    if (!made.ok) throw new Error(made.fault.detail)
    const packs = ['one', 'two', 'three'].map((word) => ({
      topic: `motepost/1/${group}/${word}/lines`,
      payload: Buffer.from(word.repeat(40)),
    }))
    for (const { topic, payload } of packs) await made.value.spool.add(topic, payload)
    const [name] = disk.paths
    const read = await disk.read(name, 0, 1 << 20)
    const bytes = Buffer.from(read.ok ? read.value : [])
    const known = new Set(packs.map(({ topic, payload }) => `${topic} ${payload.toString()}`))
    const ends = await throughAllInTurn({
      what: 'spools',
      inputs: 3000,
      make: (mutations) => mutations.bent(bytes),
      hold: async (bent) => {
        const left = new MemoryDisk()
        left.put(name, bent)
        const opened = await Spool.open(left)
        must(opened.ok, 'it is not opened')
        if (!opened.ok) return ''
        const found = opened.value.left
        for (const { topic, payload } of found)
          must(known.has(`${topic} ${Buffer.from(payload).toString()}`), topic)
        must(found.reduce((sum, { payload }) => sum + payload.length, 0) <= bent.length, 'more than there is')
        must((await opened.value.spool.add('t', Buffer.from('new'))).ok, 'nothing is taken')
        return `${Math.min(3, found.length)} packs`
      },
    })
    expect(ends.get('2 packs')).toBeGreaterThan(100)
  })
})
