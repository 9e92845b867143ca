import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { answerRequest, siteList } from '../../agent/station/station.js'
import { utcText, utcMillis, type EventLine } from '../../agent/terms/terms.js'
import {
  newClock,
  startRig,
  startUtc,
  ToldGauge,
  ToldSensor,
  type Rig,
  type RigOptions,
} from '../support/station-rig.js'

const steady = () => 20

interface Given {
  readonly clock?: VirtualClock
  readonly disk?: MemoryDisk
  readonly pm2_5?: (at: number) => number
  readonly options?: RigOptions['options']
}

function startWith({
  clock = newClock(),
  disk = new MemoryDisk(),
  pm2_5 = steady,
  options,
}: Given = {}): Promise<Rig> {
  const sensor = new ToldSensor(clock, { pm2_5 })
  return startRig(clock, disk, { instruments: [{ sensor }], options })
}

const dust = {
  rule: 'dust',
  channel: 'pm2_5',
  average: '10-min',
  direction: 'above',
  level: 50,
  backAt: 40,
  onDelaySeconds: 0,
  offDelaySeconds: 0,
  leastDataCapture: 0.5,
  priority: 'normal',
} as const

const utcAt = (seconds: number): string => utcText(utcMillis(startUtc + seconds * 1000))

async function siteLines(rig: Rig): Promise<Record<string, string>[]> {
  const events = (await rig.lines()).filter((line): line is EventLine => line.kind === 'event')
  return events
    .filter(({ name }) => name === 'sitelog')
    .map(({ details }) => details as Record<string, string>)
}

const alertOf = async (rig: Rig): Promise<Record<string, unknown>> => (await rig.station.status()).alerts[0]
const site = (rig: Rig): Record<string, unknown> => rig.health().site as Record<string, unknown>
const hour = (rig: Rig): Record<string, number> =>
  rig.station.averagesOf('pm2_5')['1-h'] as Record<string, number>

describe('a visit', () => {
  it('excludes readings as service until ten minutes after its end, raises nothing meanwhile, and says why', async () => {
    // A person stirs up dust for a quarter of an hour.
    const pm2_5 = (at: number): number => (at > 1800 && at < 3200 ? 400 : 20)
    const rig = await startWith({ pm2_5, options: { rules: [dust] } })
    await rig.live(1770)
    expect(await rig.station.addEntry({ kind: 'visit-start', who: 'KL' })).toMatchObject({
      ok: true,
      safe: true,
    })
    await rig.live(2670)
    expect(await alertOf(rig)).toMatchObject({ state: 'unknown', was: 'never raised' })
    expect(String((await alertOf(rig)).quiet)).toContain('somebody is at the station')
    expect((await rig.station.status()).live[0]).toMatchObject({ excluded: 'service' })
    await rig.station.addEntry({ kind: 'visit-end' })
    expect(String((await alertOf(rig)).quiet)).toMatch(
      /^after a visit, at the latest until 2026-03-01T00:54:30Z$/,
    )
    await rig.live(3360)
    expect(await alertOf(rig)).not.toHaveProperty('quiet')
    const records = (await rig.records()).filter(({ mono }) => mono >= 1800 && mono < 3240)
    expect(records.every((record) => Math.round(record.excluded.service) === 60)).toBe(true)
    // Raw stays: what was breathed is in the mean of all readings.
    expect(rig.value(records[5], 'pm2_5', 'all')).toBeCloseTo(400, 0)
    await rig.live(5400)
    expect(await alertOf(rig)).toMatchObject({ state: 'never raised' })
    expect(hour(rig).mean).toBeCloseTo(20, 0)
  })

  it('that was forgotten closes itself after an hour, in a line of its own, once', async () => {
    const rig = await startWith()
    await rig.live(600)
    await rig.station.addEntry({ kind: 'visit-start' })
    await rig.live(4140)
    expect(site(rig)).toMatchObject({ visit: 'open' })
    await rig.live(4260)
    expect(site(rig)).toMatchObject({ visit: 'over, readings do not count yet' })
    await rig.live(9000)
    expect(site(rig)).toMatchObject({ visit: 'none' })
    const ends = (await siteLines(rig)).filter(({ kind }) => kind === 'visit-end')
    expect(ends).toEqual([
      { kind: 'visit-end', effect: 'exclude', who: 'station', note: 'closed by itself', from: utcAt(4200) },
    ])
    const last = (await rig.records()).findLast((record) => record.excluded.service > 0)!
    expect(last.mono).toBeLessThan(4860)
  })

  it('goes on over a restart, and lasts as long as options say', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const options = {
      site: {
        visit: { longestSeconds: 900, afterSeconds: 120 },
        zeroCheck: {
          spanSeconds: 600,
          leastUsedSeconds: 480,
          passUpToMicrogramsPerM3: 2,
          repeatUpToMicrogramsPerM3: 5,
        },
      },
    }
    const first = await startWith({ clock, disk, options })
    await first.live(300)
    await first.station.addEntry({ kind: 'visit-start' })
    await first.live(600)
    await first.station.stop('test')
    const again = await startWith({ clock, disk, options })
    expect(site(again)).toMatchObject({ visit: 'open', closes_itself_in_s: 600 })
    await again.live(1260)
    expect(site(again)).toMatchObject({ visit: 'over, readings do not count yet' })
    await again.live(1380)
    expect(site(again)).toMatchObject({ visit: 'none' })
  })

  it('whose end nobody began is noted and doubted', async () => {
    const rig = await startWith()
    await rig.live(120)
    const answer = await rig.station.addEntry({ kind: 'visit-end' })
    expect(answer).toMatchObject({ ok: true, notes: [expect.stringContaining('no visit')] })
  })
})

describe('a zero check', () => {
  it.each([
    [1.6, 'pass'],
    [4, 'repeat'],
    [9, 'fail'],
  ])('of %d µg/m³ in filtered air is a %s, in a line with the figure', async (level, result) => {
    const rig = await startWith({ pm2_5: (at) => (at > 600 && at < 1300 ? level : 20) })
    await rig.live(601)
    await rig.station.addEntry({ kind: 'zero-check-start' })
    expect(site(rig)).toMatchObject({ zero_checks_running: [{ result_in_s: 600 }] })
    await rig.live(1320)
    const line = (await siteLines(rig)).at(-1)!
    expect(line).toMatchObject({ kind: 'zero-check', result, who: 'station' })
    expect(Math.abs(Number(line.offset_ug_m3) - level)).toBeLessThan(0.51)
    expect(Number(line.used_s)).toBeGreaterThanOrEqual(480)
    const excluded = (await rig.records()).filter((record) => record.excluded.service > 1)
    expect(excluded.length).toBeGreaterThanOrEqual(10)
    await rig.live(2400)
    expect((await rig.records()).at(-1)!.excluded).toEqual({})
  })

  it('is worked out from the store after a restart in its middle', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const first = await startWith({ clock, disk, pm2_5: () => 1 })
    await first.live(600)
    await first.station.addEntry({ kind: 'zero-check-start' })
    await first.live(900)
    await first.station.stop('test')
    const again = await startWith({ clock, disk, pm2_5: () => 1 })
    await again.live(1320)
    expect((await siteLines(again)).at(-1)).toMatchObject({ kind: 'zero-check', result: 'pass' })
  })

  it('asks which sensor has the filter where there are two', async () => {
    const clock = newClock()
    const instruments = ['1', '2'].map((slot) => ({
      sensor: new ToldSensor(clock, { pm2_5: steady }),
      options: { slot, name: `sensor ${slot}` },
    }))
    const rig = await startRig(clock, new MemoryDisk(), { instruments })
    const answer = await rig.station.addEntry({ kind: 'zero-check-start' })
    expect(answer).toMatchObject({ ok: false, faults: [{ key: 'slot', code: 'missing' }] })
    await rig.station.addEntry({ kind: 'zero-check-start', slot: '2' })
    await rig.live(240)
    const last = (await rig.records()).at(-1)!
    expect(last.excluded).toEqual({ 'service.2': 60 })
  })
})

describe('a swapped unit', () => {
  it('lets no hour cross, over a restart too, and both serials stand in the listing', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const pm2_5 = (at: number): number => (at > 3000 ? 40 : 20)
    const options = { rules: [{ ...dust, average: '1-h', level: 35 } as const] }
    const rig = await startWith({ clock, disk, pm2_5, options })
    await rig.live(3000)
    expect(hour(rig).mean).toBeCloseTo(20, 0)
    await rig.station.addEntry({ kind: 'swapped', old_serial: '00417', new_serial: '00533' })
    await rig.live(3600)
    expect(hour(rig).mean).toBeCloseTo(40, 0)
    expect(hour(rig).sampled_share_percent).toBeLessThan(17)
    // Ten minutes of unit B are no hour: the rule does not know.
    expect(await alertOf(rig)).toMatchObject({ state: 'unknown', was: 'never raised' })
    const { units } = siteList(rig.station.siteLog)
    expect(units.map(({ serial, to }) => [serial, to])).toEqual([
      ['00417', utcAt(3000)],
      ['00533', undefined],
    ])
    await rig.station.stop('test')
    const again = await startWith({ clock, disk, pm2_5, options })
    await again.live(3720)
    expect(hour(again).mean).toBeCloseTo(40, 0)
    expect(siteList(again.station.siteLog).units).toEqual(units)
  })
})

describe('an excluded span of earlier', () => {
  it('takes records out of the averages, leaves raw as it was, and comes back when it is withdrawn', async () => {
    const rig = await startWith({ pm2_5: (at) => (at > 1200 && at <= 2400 ? 320 : 20) })
    await rig.live(3600)
    const before = hour(rig).mean
    const raw = (await rig.records()).map((record) => rig.value(record, 'pm2_5', 'mean'))
    const entry = {
      kind: 'excluded',
      from: utcAt(1200),
      to: utcAt(2400),
      name: 'mowing',
      reason: 'mower at the fence',
    }
    const answer = await rig.station.addEntry(entry)
    expect(answer).toMatchObject({ ok: true, safe: true })
    expect(before).toBeGreaterThan(100)
    expect(hour(rig).mean).toBeCloseTo(20, 0)
    expect(hour(rig).data_capture_percent).toBeLessThan(70)
    expect((await rig.records()).map((record) => rig.value(record, 'pm2_5', 'mean'))).toEqual(raw)
    const corrects = String(answer.ok && answer.number)
    await rig.station.addEntry({ kind: 'correction', corrects, withdraw: 'yes', why: 'wrong day' })
    expect(hour(rig).mean).toBeCloseTo(before, 6)
  })

  it('leaves battery and sun in theirs: what happens to the air is nothing to the supply', async () => {
    const clock = newClock()
    const gauge = new ToldGauge({ battery_voltage: 12.8 })
    const low = {
      ...dust,
      rule: 'low',
      channel: 'battery_voltage',
      direction: 'below',
      level: 11,
      backAt: 12,
    } as const
    const instruments = [{ sensor: new ToldSensor(clock, { pm2_5: steady }) }]
    const rig = await startRig(clock, new MemoryDisk(), { instruments, gauge, options: { rules: [low] } })
    await rig.live(3600)
    const before = rig.station.averagesOf('battery_voltage')
    const span = { from: utcAt(1200), to: utcAt(2400), name: 'mowing', reason: 'mower at the fence' }
    await rig.station.addEntry({ kind: 'excluded', ...span })
    expect(hour(rig).data_capture_percent).toBeLessThan(70)
    expect(rig.station.averagesOf('battery_voltage')).toEqual(before)
  })

  it('is refused with everything that is wrong with it', async () => {
    const rig = await startWith()
    await rig.live(60)
    const answer = await rig.station.addEntry({ kind: 'excluded', from: utcAt(90_000), to: 'yesterday' })
    expect(answer.ok ? [] : answer.faults.map(({ key }) => key)).toEqual(
      expect.arrayContaining(['from', 'to', 'name', 'reason']),
    )
    expect(await siteLines(rig)).toEqual([])
  })
})

describe('a request', () => {
  it('that is none is refused in words', async () => {
    const rig = await startWith()
    for (const request of [undefined, null, 7, 'status', [], {}, { do: 'stop' }, { do: 'add', entry: [] }])
      expect(await answerRequest(rig.station, request)).toMatchObject({ ok: false })
    expect(
      await answerRequest(rig.station, { do: 'add', entry: { kind: 'observed', note: 'a fox' } }),
    ).toMatchObject({
      ok: true,
    })
    expect(await answerRequest(rig.station, { do: 'list' })).toMatchObject({
      list: { entries: [{ as_written: { note: 'a fox' } }] },
    })
  })
})
