import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
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
