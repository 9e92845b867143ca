import { describe, expect, it } from 'vitest'
import { chemistries, usualRules } from '../../agent/power/power.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationOptions } from '../../agent/station/station.js'
import { newClock, startRig, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const hour = 3600
const energy: StationOptions['energy'] = {
  battery: {
    chemistry: chemistries.lifepo4,
    capacityAmpereHours: 20,
    nominalVolts: 12.8,
    gaugeGainError: 0.02,
    gaugeOffsetAmperes: 0.05,
  },
  panel: {
    latitudeDegrees: 10,
    longitudeDegrees: 0,
    tiltDegrees: 10,
    azimuthDegrees: 180,
    panelWatts: 50,
    yieldShare: 0.75,
  },
  load: { boardWatts: 1, sensorWatts: 0.5, modemWatts: 0 },
  plan: {
    plan: 'continuous',
    rules: { ...usualRules, ...chemistries.lifepo4 },
    standardOffsetMinutes: 0,
  },
}

/** A station at midnight whose gauges say this; each hour the voltage moves a little, as a real one does. */
async function start(values: Record<string, number>) {
  const clock = newClock()
  const gauge = new ToldGauge(values)
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor }],
    gauge,
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
