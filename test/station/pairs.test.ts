import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

async function twoIn(
  box: string | undefined,
  first: (at: number) => number,
  second: (at: number) => number,
): Promise<{ rig: Rig; sensors: ToldSensor[] }> {
  const clock = newClock()
  const sensors = [first, second].map((pm2_5) => new ToldSensor(clock, { pm2_5 }))
  const instruments = sensors.map((sensor, i) => ({
    sensor,
    options: { name: `sensor ${i + 1}`, slot: String(i + 1), box },
  }))
  return { rig: await startRig(clock, new MemoryDisk(), { instruments }), sensors }
}

const hour = 3600

describe('two sensors of one box', () => {
  it('have their agreement of the last hour in health', async () => {
    const { rig } = await twoIn(
      'fence-box',
      () => 20,
      () => 24,
    )
    await rig.live(hour - 60)
    expect(rig.health().pairs).toEqual([
      { box: 'fence-box', between: ['pm2_5.1', 'pm2_5.2'], last_hour: 'not enough data' },
    ])
    await rig.live(hour + 60)
    expect(rig.health().pairs).toMatchObject([
      {
        between: ['pm2_5.1', 'pm2_5.2'],
        // By hand: 4/sqrt(2) = 2.83, which is 12.9 % of 22.
        last_hour: { means_ug_m3: [20, 24], deviation_ug_m3: 2.83, variation_percent: 12.9, agree: true },
      },
    ])
    expect(rig.codes()).toEqual([])
  })

  it('are a fault when they disagree for an hour, until an hour in which they agree; nothing is excluded', async () => {
    const { rig } = await twoIn(
      'fence-box',
      () => 20,
      (at) => (at < 2 * hour ? 60 : 21),
    )
    await rig.live(hour + 60)
    expect(rig.codes()).toEqual(['pair-disagrees'])
    expect(rig.station.faults.list()[0].detail).toBe(
      'pm2_5.1 and pm2_5.2 in fence-box: 20.0 and 60.0 ug/m3 in the last hour',
    )
    const record = (await rig.records()).at(-1)!
    expect(record.excluded).toEqual({})
    expect(rig.value(record, 'pm2_5.2', 'used')).toBeCloseTo(60, 6)
    await rig.live(3 * hour + 60)
    expect(rig.codes()).toEqual([])
    expect(rig.told.filter((words) => words.includes('disagree'))).toHaveLength(2)
  })

  it('keep a disagreement that stands while one of them gives too little to say more', async () => {
    const { rig, sensors } = await twoIn(
      'fence-box',
      () => 20,
      () => 60,
    )
    await rig.live(hour + 60)
    sensors[0].dumb = true
    await rig.live(3 * hour)
    expect(rig.codes()).toContain('pair-disagrees')
    expect(rig.health().pairs).toMatchObject([{ last_hour: 'not enough data' }])
  })

  it('are not compared when nobody said that they share a box', async () => {
    const { rig } = await twoIn(
      undefined,
      () => 20,
      () => 60,
    )
    await rig.live(hour + 60)
    expect(rig.health().pairs).toEqual([])
    expect(rig.codes()).toEqual([])
  })
})
