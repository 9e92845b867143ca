import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationPorts } from '../../agent/station/station.js'
import { done, good } from '../../agent/terms/terms.js'
import { energyOf } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const hour = 3600
const energy = energyOf('continuous', {
  panel: {
    latitudeDegrees: 10,
    longitudeDegrees: 0,
    tiltDegrees: 10,
    azimuthDegrees: 180,
    panelWatts: 50,
    yieldShare: 0.75,
  },
})

interface Kept {
  readonly disk?: MemoryDisk
  readonly state?: StationPorts['state']
  readonly clock?: ReturnType<typeof newClock>
}

/** A station at midnight whose gauges say this; each hour the voltage moves a little, as a real one does. */
async function start(
  values: Record<string, number>,
  { disk = new MemoryDisk(), state, clock = newClock() }: Kept = {},
) {
  const gauge = new ToldGauge(values)
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const rig = await startRig(clock, disk, {
    instruments: [{ sensor }],
    gauge,
    state,
    options: { energy },
  })
  const liveTo = async (atHour: number): Promise<void> => {
    for (let at = Math.floor(clock.mono() / hour) + 1; at <= atHour; at++) {
      await rig.live(at * hour)
      gauge.values.battery_voltage = gauge.values.battery_voltage! + (at % 2 ? 0.01 : -0.01)
    }
  }
  return { rig, gauge, liveTo }
}

const facts = (rig: Rig) => rig.health().energy as { rests_on: string; between?: [number, number] }

describe('gauges of a running station that do not tell the truth', () => {
  it('a current that reads giving at noon at a voltage of charging is told and not counted', async () => {
    const { rig, gauge, liveTo } = await start({ battery_voltage: 13.2, battery_current: 0.1 })
    await liveTo(10)
    expect(facts(rig).rests_on).toBe('counting')
    Object.assign(gauge.values, { battery_voltage: 14.2, battery_current: -2 })
    await liveTo(12)
    expect(rig.codes()).toContain('gauge-sign')
    expect(facts(rig).rests_on).toBe('voltage only')
    // It is not believed in the afternoon either, when nothing tells the sign.
    gauge.values.battery_voltage = 13.3
    await liveTo(16)
    expect(rig.codes()).toContain('gauge-sign')
    gauge.values.battery_current = -0.5
    await liveTo(22)
    expect(rig.codes()).not.toContain('gauge-sign')
    expect(facts(rig).rests_on).toBe('counting')
  })

  it('a current that was found turned is not believed after a restart either', async () => {
    let saved: unknown
    const state = {
      load: () => Promise.resolve(good(saved)),
      save: (value: unknown) => ((saved = JSON.parse(JSON.stringify(value))), Promise.resolve(done)),
    } as NonNullable<Kept['state']>
    const disk = new MemoryDisk()
    const first = await start({ battery_voltage: 13.2, battery_current: 0.1 }, { disk, state })
    await first.liveTo(10)
    Object.assign(first.gauge.values, { battery_voltage: 14.2, battery_current: -2 })
    await first.liveTo(12)
    await first.rig.station.stop('test')
    const clock = newClock('b0070002-0000-4000-8000-000000000002', startUtc + 12.1 * hour * 1000)
    const values = { battery_voltage: 13.3, battery_current: -2 }
    const again = await start(values, { disk, state, clock })
    await again.rig.live(300)
    expect(again.rig.codes()).toContain('gauge-sign')
    expect(facts(again.rig).rests_on).toBe('voltage only')
  })

  it('a current that stands still while the sun rises is told and not counted, until it moves', async () => {
    const { rig, gauge, liveTo } = await start({ battery_voltage: 13.2, battery_current: 0.1 })
    await liveTo(11)
    expect(rig.codes()).not.toContain('gauge-stuck')
    await liveTo(13)
    expect(rig.codes()).toContain('gauge-stuck')
    expect(facts(rig).rests_on).toBe('voltage only')
    const [low, high] = facts(rig).between!
    expect(high - low).toBeGreaterThan(20)
    gauge.values.battery_current = 0.2
    await rig.live(13 * hour + 120)
    expect(rig.codes()).not.toContain('gauge-stuck')
    expect(facts(rig).rests_on).toBe('counting')
  })
})
