import { describe, expect, it } from 'vitest'
import { judge, usualRules, type GroupSeen } from '../../agent/collector/collector.js'
import { readReport } from '../../agent/collector/reports.js'
import { StationsSeen, type Heard, type StationSeen } from '../../agent/collector/seen.js'
import { statusOf } from '../../agent/collector/status.js'
import { utcMillis, utcText } from '../../agent/terms/terms.js'

const start = Date.UTC(2026, 2, 1)
const at = (seconds: number): Heard => ({
  listenedSeconds: seconds,
  utc: utcMillis(start + seconds * 1000),
})
const noCounts = { taken: 0, given: 0, refused: {}, held: 0 }
const minutes = (n: number): number => n * 60
const group: GroupSeen = { rules: usualRules, twins: new Map() }
const json = (value: unknown): Uint8Array =>
  new TextEncoder().encode(JSON.stringify({ v: 1, ...Object(value) }))

/** What a station said, in order: seconds, topic, payload. */
function seen(...said: readonly (readonly [number, string, unknown, 'retained'?])[]): StationSeen {
  const stations = new StationsSeen(10)
  for (const [seconds, what, payload, retained] of said) {
    const read = readReport(`motepost/1/oakfield/st-1/${what}`, json(payload), 'oakfield')
    if (!read.ok) throw new Error(read.reason)
    stations.take(read.station, read.report, at(seconds), retained === 'retained')
  }
  return stations.of('st-1')!
}

const running = (nextContact = 3600) => ({
  state: 'running',
  boot: 'aa',
  session: 1,
  next_contact_s: nextContact,
})
const health = (more: object = {}, seconds = 0) => ({
  ...{ boot: 'aa', session: 1, at: utcText(at(seconds).utc!), clock_error_s: 1, faults: [] },
  ...more,
})
const codes = (station: StationSeen, seconds = 60, among: Partial<GroupSeen> = {}) =>
  judge(station, { ...group, ...among }, at(seconds)).reasons.map(({ code }) => code)

describe('the silence of a station', () => {
  it('is late after 75 minutes and silent after three hours, each with what to do first', () => {
    const station = seen([0, 'alive', running()], [0, 'health', health()])
    const states = [74, 75, 179, 180].map((n) => judge(station, group, at(minutes(n))).state)
    expect(states).toEqual(['well', 'late', 'late', 'silent'])
    const [reason] = judge(station, group, at(minutes(200))).reasons
    expect(reason).toMatchObject({ code: 'silent', since: utcText(at(0).utc!), tell: 'high' })
    expect(reason.words).toBe('nothing heard for 200 min')
    expect(reason.firstThing).not.toBe('')
  })

  it('waits longer for a station that promised to come seldom', () => {
    const station = seen([0, 'alive', running(6 * 3600)])
    const states = [7, 8, 17, 18].map((n) => judge(station, group, at(n * 3600)).state)
    expect(states).toEqual(['well', 'late', 'late', 'silent'])
  })

  it('waits through the night of a modem that rests by its hours, and no longer, and calls no connection lost for that', () => {
    const evening = { ...running(10 * 3600), every_s: 3600 }
    const station = seen([0, 'alive', evening], [600, 'alive', { state: 'lost', boot: 'aa', session: 1 }])
    const states = [1, 11.2, 11.3, 12.9, 13].map((n) => judge(station, group, at(n * 3600)).state)
    expect(states).toEqual(['well', 'well', 'late', 'late', 'silent'])
  })

  it('counts only the time in which the collector could hear', () => {
    const station = seen([0, 'alive', running()])
    const aDayOff: Heard = { listenedSeconds: minutes(10), utc: at(86_400).utc }
    expect(judge(station, group, aDayOff).state).toBe('well')
  })

  it('is seen at once where the broker noticed that the connection broke, or the station said that it ends', () => {
    expect(codes(seen([0, 'alive', running()], [9, 'alive', { state: 'lost' }]))).toEqual(['connection-lost'])
    expect(codes(seen([0, 'alive', running()], [9, 'alive', { state: 'stopped' }]))).toEqual(['stopped'])
    expect(codes(seen([0, 'alive', { state: 'lost' }], [9, 'alive', running()]))).toEqual([])
  })

  it('does not take a will, or what the broker had kept, for a sign of life', () => {
    const station = seen([0, 'alive', running()], [minutes(100), 'alive', { state: 'lost' }])
    expect(judge(station, group, at(minutes(181))).state).toBe('silent')
    const kept = seen([0, 'health', health()], [minutes(100), 'health', health(), 'retained'])
    expect(judge(kept, group, at(minutes(181))).state).toBe('silent')
  })
})

describe('what a living station says of itself', () => {
  const withFault = (code: string, detail = '') =>
    seen([0, 'health', health({ faults: [{ code, detail, for_s: 90 }] })])

  it.each([
    ['sensor-silent', 'no-data', 'trouble'],
    ['port-gone', 'no-data', 'trouble'],
    ['sensor-stuck', 'fan-or-inlet', 'suspect'],
    ['pair-disagrees', 'pair-disagrees', 'suspect'],
    ['clock-untrusted', 'clock', 'trouble'],
    ['disk-read-only', 'disk', 'trouble'],
    ['sim-ends', 'sim', 'trouble'],
    ['store-twins', 'two-stores', 'trouble'],
    ['board-changed', 'cloned', 'trouble'],
    ['hard-cut', 'battery', 'trouble'],
    ['a-code-of-next-year', 'fault', 'trouble'],
  ])('names the fault %s as %s: %s', (code, reason, state) => {
    const judgement = judge(withFault(code, 'port 1'), group, at(60))
    expect(judgement).toMatchObject({ state, reasons: [{ code: reason, since: utcText(at(-90).utc!) }] })
    expect(judgement.reasons[0].firstThing).not.toBe('')
  })

  it('names alerts of its own troubles while they are raised, and no alert of the air', () => {
    const raised = seen([0, 'alerts/falling-baseline', { state: 'raised' }])
    expect(judge(raised, group, at(60))).toMatchObject({
      state: 'suspect',
      reasons: [{ code: 'falling-baseline' }],
    })
    expect(codes(seen([0, 'alerts/falling-baseline', { state: 'over' }]))).toEqual([])
    expect(codes(seen([0, 'alerts/pm10-day', { state: 'raised' }]))).toEqual([])
  })

  it('names a low data capture, a battery that runs down, a backlog and a used budget', () => {
    const averages = { channels: { pm2_5: { '24-h': { data_capture_percent: 61.5 } } } }
    expect(codes(seen([0, 'averages', averages]))).toEqual(['data-capture'])
    expect(codes(seen([0, 'health', health({ energy: { days_to_reserve: { normal: 2.5 } } })]))).toEqual([
      'battery',
    ])
    expect(codes(seen([0, 'health', health({ energy: { days_to_reserve: { normal: 'never' } } })]))).toEqual(
      [],
    )
    const uplink = (backlog: number, used: number) => ({
      uplink: { backlog, budget: { last_24_h_kb: used, budget_kb: 5000 } },
    })
    expect(codes(seen([0, 'health', health(uplink(1440, 4999))]))).toEqual([])
    expect(codes(seen([0, 'health', health(uplink(1441, 5000))]))).toEqual(['backlog', 'budget'])
  })

  it('suspects a sensor of which a quarter of the readings were refused since the health before', () => {
    const screened = (taken: number, stuck: number) =>
      health({ instruments: [{ screening: { taken, refused: { stuck } } }] })
    const few = seen([0, 'health', screened(90_000, 50_000)], [3600, 'health', screened(93_600, 50_900)])
    expect(codes(few, 3660)).toEqual([])
    const many = seen([0, 'health', screened(90_000, 100)], [3600, 'health', screened(93_600, 1100)])
    const judgement = judge(many, group, at(3660))
    expect(judgement.state).toBe('suspect')
    expect(judgement.reasons[0].words).toBe('28 % of the readings do not count: stuck')
  })
})

describe('what a station cannot know itself', () => {
  const clocked = (...offsets: readonly number[]) =>
    seen(...offsets.map((off, i) => [i * 3600, 'health', health({}, i * 3600 + off)] as const))

  it('finds a clock that is ahead at once, and one that is behind once it cannot be a late message', () => {
    expect(codes(clocked(30))).toEqual([])
    expect(codes(clocked(120))).toEqual(['clock'])
    expect(codes(clocked(-600, -1200), 3660)).toEqual([])
    expect(codes(clocked(-600, -1200, -900), 7260)).toEqual(['clock'])
    expect(codes(clocked(-600, -1200, -20), 7260)).toEqual([])
    expect(codes(clocked(-600), 60)).toEqual([])
    expect(codes(clocked(-600, -605), 3660)).toEqual(['clock'])
    expect(codes(clocked(-240, -245), 3660)).toEqual([])
    const resting = { state: 'running', everySeconds: 3600 } as const
    expect(codes({ ...clocked(-600, -605), alive: resting }, 3660)).toEqual([])
    const again = health({}, -600)
    expect(codes(seen([0, 'health', again], [20, 'health', again]))).toEqual([])
    const [reason] = judge(clocked(-3 * 365 * 86_400), group, at(60)).reasons
    expect(reason.words).toBe('the clock of the station is 1095 days behind and believes itself right')
  })

  it('stands in the status with what was measured beside what the station believes', () => {
    const view = { group: 'oakfield', now: at(60), link: 'connected', lines: {}, refusals: [], faults: [] }
    const counts = { packs: noCounts, reports: noCounts }
    const statusWith = (one: StationSeen) =>
      statusOf({ ...view, ...counts, judged: [{ seen: one, judgement: judge(one, group, at(60)) }] }).stations
    expect(statusWith(clocked(3 * 86_400))).toMatchObject([{ clock_error_s: 1, clock_offset_s: 259_200 }])
    expect(statusWith(clocked(-900, -600))).toMatchObject([{ clock_offset_s: -600 }])
    expect(statusWith(seen([0, 'alive', running()]))).not.toMatchObject([
      { clock_offset_s: expect.anything() },
    ])
  })

  it('tells two stores that grow by turns, and lines under numbers that others have', () => {
    const twins = new Map([['st-1', ['aa', 'bb']]])
    expect(codes(seen([0, 'alive', running()]), 60, { twins })).toEqual(['two-stores'])
    expect(codes({ ...seen([0, 'alive', running()]), conflicts: 2 })).toEqual(['cloned'])
  })

  it('tells software and settings unlike those of most of the group', () => {
    const station = seen([0, 'health', health({ software: '0.8.0', settings: 'aaaa1111' })])
    expect(codes(station, 60, { software: '0.8.0', settings: 'aaaa1111' })).toEqual([])
    expect(codes(station, 60, { software: '0.9.0', settings: 'bbbb2222' })).toEqual([
      'software-differs',
      'settings-differ',
    ])
  })

  it('puts the worst first and keeps every other reason', () => {
    const station = seen([0, 'health', health({ faults: [{ code: 'sensor-stuck', detail: '', for_s: 1 }] })])
    expect(judge(station, group, at(minutes(200)))).toMatchObject({
      state: 'silent',
      reasons: [{ code: 'silent' }, { code: 'fan-or-inlet' }],
    })
  })
})
