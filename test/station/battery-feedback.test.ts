import { expect, it } from 'vitest'
import { loadLayout } from '../../agent/cli/layouts.js'
import { command } from '../../agent/instruments/instruments.js'
import { MadeBattery } from '../../agent/simulation/made-battery.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { energyOf } from '../support/station-options.js'
import { newClock, startRig, ToldGauge, ToldSensor } from '../support/station-rig.js'

const layout = loadLayout('frames-424d-32')
const bytesOf = (name: 'sleep' | 'wake'): Uint8Array =>
  layout.ok ? command(layout.value, name)! : new Uint8Array()
const [sleep, wake] = [bytesOf('sleep'), bytesOf('wake')]
const hex = (bytes: Uint8Array): string => Buffer.from(bytes).toString('hex')
const darkHours = 8

/** Charge after a dark night of a station whose gauges read a made battery, which its sensor draws from while awake. */
async function nightOf(plan: 'continuous' | 'protecting'): Promise<{ percent: number; slept: boolean }> {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const awake = (at: number): boolean =>
    sensor.written.filter((one) => one.at <= at).at(-1)?.hex !== hex(sleep)
  const site = { fromSeconds: clock.mono(), startPercent: 60, capacityWattHours: 256 }
  const battery = new MadeBattery({ ...site, panelWatts: 50, openSkyShare: 1, loadWatts: 1 }, () => 0, [
    { watts: 8, runs: awake },
  ])
  const gauge = new ToldGauge({})
  Object.defineProperties(gauge.values, {
    battery_voltage: { enumerable: true, get: () => battery.at(clock.mono()).batteryVolts },
    battery_current: { enumerable: true, get: () => battery.at(clock.mono()).batteryAmperes },
  })
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor, options: { wake, planned: { command: sleep, supply: undefined } } }],
    gauge,
    options: {
      energy: energyOf(plan, { load: { sensorWatts: 8 } }),
    },
  })
  await rig.live(darkHours * 3600)
  const slept = sensor.written.some((one) => one.hex === hex(sleep))
  return { percent: battery.at(clock.mono()).stateOfChargePercent, slept }
}

it('a battery that a sensor draws from keeps more through a dark night once the plan has put the sensor to sleep', async () => {
  const held = await nightOf('continuous')
  const spared = await nightOf('protecting')
  console.info(`after ${darkHours} dark hours: ${held.percent.toFixed(1)} and ${spared.percent.toFixed(1)} %`)
  expect([held.slept, spared.slept]).toEqual([false, true])
  // 9 W all night of 256 Wh are 28 %; 1 W is 3.
  expect(held.percent).toBeCloseTo(60 - (100 * 9 * darkHours) / 256, 0)
  expect(spared.percent).toBeGreaterThan(held.percent + 10)
})
