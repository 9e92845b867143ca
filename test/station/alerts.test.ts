import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { EventLine } from '../../agent/terms/terms.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const usual = {
  average: '10-min',
  onDelaySeconds: 0,
  offDelaySeconds: 0,
  leastDataCapture: 0.75,
  priority: 'normal',
} as const

const events = async (rig: Rig, name: string): Promise<EventLine[]> =>
  (await rig.lines()).filter((line): line is EventLine => line.kind === 'event' && line.name === name)

const statusAlert = async (rig: Rig): Promise<Record<string, unknown>> =>
  (await rig.station.status()).alerts[0]

describe('the rules of a station', () => {
  it('watch any channel, a battery too', async () => {
    const clock = newClock()
    const gauge = new ToldGauge({ battery_voltage: 12.8 })
    const battery = {
      ...usual,
      rule: 'battery',
      channel: 'battery_voltage',
      direction: 'below',
      level: 11.8,
      backAt: 12.4,
    }
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
      gauge,
      options: { rules: [battery as never] },
    })
    await rig.live(900)
    gauge.values.battery_voltage = 11.2
    await rig.live(2400)
    gauge.values.battery_voltage = 12.9
    await rig.live(3600)
    expect((await events(rig, 'alert')).map(({ details }) => details.state)).toEqual(['raised', 'normal'])
    expect(await statusAlert(rig)).toMatchObject({
      state: 'back above',
      watches: 'battery_voltage 10-min mean below 11.8 V',
    })
  })

  it('do not know while nothing comes, say since when, and were raised before and after', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const sensor = new ToldSensor(clock, { pm2_5: () => 90 })
    const rule = {
      ...usual,
      rule: 'dust',
      channel: 'pm2_5',
      direction: 'above',
      level: 50,
      backAt: 40,
    } as const
    const rig = await startRig(clock, disk, { instruments: [{ sensor }], options: { rules: [rule] } })
    expect(await statusAlert(rig)).toMatchObject({ state: 'unknown', was: 'never raised' })
    await rig.live(900)
    expect(await statusAlert(rig)).toMatchObject({ state: 'raised' })
    sensor.dumb = true
    await rig.live(1800)
    expect(await statusAlert(rig)).toMatchObject({
      state: 'unknown',
      was: 'raised',
      unknown_since: expect.stringMatching(/^2026-03-01T00:1[78]:00Z$/) as string,
    })
    await rig.station.stop('test')
    const again = await startRig(clock, disk, { instruments: [{ sensor }], options: { rules: [rule] } })
    expect(await statusAlert(again)).toMatchObject({ state: 'unknown', was: 'raised' })
    sensor.dumb = false
    await again.live(3600)
    expect(await statusAlert(again)).toMatchObject({ state: 'raised' })
    expect(await events(again, 'alert')).toHaveLength(1)
  })
})

describe('averages of a station', () => {
  it('are the same after a restart, and cut the day at midnight of local standard time', async () => {
    const clock = newClock(undefined, startUtc + 22 * 3_600_000)
    const disk = new MemoryDisk()
    const sensor = new ToldSensor(clock, { pm2_5: (at) => (at >= 3600 ? 40 : 20) })
    const options = { standardOffsetMinutes: 60 }
    const rig = await startRig(clock, disk, { instruments: [{ sensor }], options })
    await rig.live(7200)
    const before = rig.station.averagesOf('pm2_5')
    // 22:00 UTC is 23:00 here: the second hour lies in the next day.
    expect(before.day).toMatchObject({ date: '2026-03-02', mean: 40, sampled_share_percent: 100 })
    expect((before['24-h'] as { mean: number }).mean).toBeCloseTo(30, 0)
    await rig.station.stop('test')
    const again = await startRig(clock, disk, { instruments: [{ sensor }], options })
    expect(again.station.averagesOf('pm2_5')).toEqual(before)
  })
})

describe('settings', () => {
  it('become a line of their own when they changed, and only then', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const start = (settingsDetails: Record<string, string>): Promise<Rig> =>
      startRig(clock, disk, {
        instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
        options: { settingsDetails },
      })
    const one = { hash: 'a1', 'site.inlet_height_m': '2.5' }
    const two = { hash: 'b2', 'site.inlet_height_m': '3' }
    for (const details of [one, one, two, two, one]) {
      const rig = await start(details)
      await rig.live(clock.mono() + 120)
      await rig.station.stop('test')
    }
    const last = await start(one)
    expect((await events(last, 'settings')).map(({ details }) => details)).toEqual([one, two, one])
  })
})

describe('a station whose uplink is set to none', () => {
  it('is well: health says none, and no fault stands', async () => {
    const clock = newClock()
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
    })
    await rig.live(7200)
    expect(rig.health()).toMatchObject({ state: 'well', faults: [], uplink: { state: 'none' } })
    expect(await rig.station.status()).toMatchObject({ state: 'well', link: { state: 'none' } })
  })
})

describe('what stands beside it', () => {
  it('counts refused and marked readings by reason in health, and says in status how long warm-up lasts', async () => {
    const clock = newClock()
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5: (at) => (at > 400 && at < 460 ? 700 : 20) }) }],
    })
    await rig.live(20)
    const [live] = (await rig.station.status()).live
    expect(live).toMatchObject({ excluded: 'warm-up', age_s: expect.any(Number) as number })
    const [least, most] = live.counts_again_in_s!
    expect(least).toBeGreaterThan(35)
    expect(least).toBeLessThan(46)
    expect(most).toBeGreaterThan(270)
    await rig.live(600)
    const [instrument] = rig.health().instruments as { screening: { refused: object }; marked: object }[]
    expect(Object.keys(instrument.screening.refused)).toContain('warm-up')
    expect(Object.keys(instrument.marked)).toContain('over-range')
    expect((await rig.station.status()).live[0]).not.toHaveProperty('excluded')
  })
})
