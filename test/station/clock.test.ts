import { describe, expect, it } from 'vitest'
import { readRmc } from '../../agent/clock/clock.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { bad } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'

describe('a clock that becomes trusted in the middle of a record', () => {
  it('cuts what ran since the edge into a record of its own, and no two records lie over each other', async () => {
    const clock = newClock(undefined, Date.UTC(2026, 2, 1, 0, 0, 20))
    clock.source = undefined
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      options: { readEverySeconds: 7 },
    })
    await rig.live(150)
    clock.source = 'ntp'
    await rig.live(600)
    const records = await rig.records()
    for (const [i, { mono }] of records.slice(1).entries())
      expect(mono).toBeCloseTo(records[i].mono + records[i].seconds, 1)
    const placed = records.flatMap(({ utc }) => utc ?? [])
    expect(placed.length).toBeGreaterThan(6)
    expect(placed.slice(1).map((utc) => utc % 60_000)).toEqual(placed.slice(1).map(() => 0))
    expect(rig.codes()).not.toContain('clock-untrusted')
  })
})

describe('sources of time that are of no use', () => {
  it('are told: a receiver that is not there, and a battery-backed clock that a person contradicts', async () => {
    const clock = newClock()
    clock.source = 'rtc'
    clock.stepUtc(86_400)
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const line = { name: '/dev/none', open: () => Promise.resolve(bad('port-missing', '/dev/none')) }
    const timing = { lateSeconds: 0.5, errorSeconds: 0.5, everySeconds: 600 }
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      timeLines: [{ source: 'satellite', line, read: readRmc, ...timing }],
    })
    await rig.live(130)
    expect(rig.codes()).toEqual(['clock-source-silent'])
    const utc = new Date(clock.utc().at - 86_400_000).toISOString()
    expect(await rig.station.setClock({ utc, error_s: 10 })).toMatchObject({ ok: true, used: true })
    await rig.live(250)
    expect(rig.codes().sort()).toEqual(['clock-disputed', 'clock-source-silent'])
    expect(rig.health()).toMatchObject({ clock_source: 'person' })
  })
})
