import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { bad, good, type Outcome } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const steady = () => 20

async function rigWith(gauge: ToldGauge, isLow?: () => Outcome<boolean>): Promise<Rig> {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5: steady })
  return startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor }],
    gauge,
    supply: isLow && { name: 'told supply', isLow: () => Promise.resolve(isLow()) },
  })
}

/** Marked seconds of the newest record. */
async function lastMarked(rig: Rig): Promise<Readonly<Record<string, number>>> {
  const records = await rig.records()
  return records[records.length - 1].marked
}

describe('a fog morning', () => {
  it('marks readings humid from 85 % and fog from 95 % of the gauge outside, and uses them all', async () => {
    const gauge = new ToldGauge({ 'humidity.outside': 84.9, 'humidity.inside': 99 })
    const rig = await rigWith(gauge)
    await rig.live(300)
    expect(await lastMarked(rig)).toEqual({})
    gauge.values['humidity.outside'] = 85
    await rig.live(480)
    expect(await lastMarked(rig)).toEqual({ humid: 60 })
    gauge.values['humidity.outside'] = 95
    await rig.live(660)
    expect(await lastMarked(rig)).toEqual({ fog: 60 })
    const records = await rig.records()
    expect(rig.value(records[records.length - 1], 'pm2_5', 'used')).toBe(60)
    gauge.values['humidity.outside'] = 60
    await rig.live(840)
    expect(await lastMarked(rig)).toEqual({})
  })

  it('is not seen by a gauge that is not outside', async () => {
    const rig = await rigWith(new ToldGauge({ humidity: 99, 'humidity.inside': 99 }))
    await rig.live(300)
    expect(await lastMarked(rig)).toEqual({})
    expect(rig.health().surroundings).toMatchObject({ humidity_outside: { state: 'not measured' } })
  })

  it('marks nothing by a value that is five minutes old, and health calls it old', async () => {
    const gauge = new ToldGauge({ 'humidity.outside': 97 })
    const rig = await rigWith(gauge)
    await rig.live(300)
    expect(await lastMarked(rig)).toEqual({ fog: 60 })
    gauge.values['humidity.outside'] = undefined
    await rig.live(540)
    // A few missed askings are no reason to forget the fog.
    expect(await lastMarked(rig)).toEqual({ fog: 60 })
    expect(rig.health().surroundings).toMatchObject({
      humidity_outside: { state: 'fresh', percent: 97, age_s: 240 },
    })
    await rig.live(780)
    expect(await lastMarked(rig)).toEqual({})
    expect(rig.health().surroundings).toMatchObject({ humidity_outside: { state: 'old', percent: 97 } })
    expect(rig.codes()).toContain('gauge-missing')
  })

  it('does not come from a value that cannot be', async () => {
    const gauge = new ToldGauge({ 'humidity.outside': 655.35 })
    const rig = await rigWith(gauge)
    await rig.live(300)
    expect(await lastMarked(rig)).toEqual({})
    expect(rig.codes()).toContain('gauge-absurd')
    const [, record] = await rig.records()
    expect(rig.value(record, 'humidity.outside', 'mean')).toBeNaN()
  })
})

describe('a low supply', () => {
  it('marks readings and stands as a fault until it is over', async () => {
    let low = good(false) as Outcome<boolean>
    const rig = await rigWith(new ToldGauge({}), () => low)
    await rig.live(300)
    expect(rig.health().surroundings).toMatchObject({ supply: 'fine' })
    low = good(true)
    await rig.live(480)
    expect(await lastMarked(rig)).toEqual({ 'low-supply': 60 })
    expect(rig.codes()).toEqual(['supply-low'])
    low = good(false)
    await rig.live(660)
    expect(await lastMarked(rig)).toEqual({})
    expect(rig.codes()).toEqual([])
  })

  it('is neither known nor marked when its file cannot be read', async () => {
    const rig = await rigWith(new ToldGauge({}), () => bad('gauge-missing', 'told supply'))
    await rig.live(300)
    expect(await lastMarked(rig)).toEqual({})
    expect(rig.health().surroundings).toMatchObject({ supply: 'not known' })
    expect(rig.codes()).toEqual(['gauge-missing'])
  })
})
