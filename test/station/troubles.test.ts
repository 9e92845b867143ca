import { describe, expect, it } from 'vitest'
import { builtInRules, troubleChoices } from '../../agent/alerts/alerts.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { good, type EventLine } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const troubles = troubleChoices([], [])

const states = async (rig: Rig, rule: string): Promise<(string | undefined)[]> =>
  (await rig.lines())
    .filter((line): line is EventLine => line.kind === 'event' && line.name === 'alert')
    .filter(({ details }) => details.rule === rule)
    .map(({ details }) => details.state)

describe('the rules of troubles', () => {
  it('raise no-data after 15 min of silence, keep it over a restart, and end it only when frames come', async () => {
    const clock = newClock()
    const disk = new MemoryDisk()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const start = (): Promise<Rig> =>
      startRig(clock, disk, { instruments: [{ sensor }], options: { troubles } })
    const rig = await start()
    await rig.live(600)
    sensor.dumb = true
    await rig.live(1440)
    expect(await states(rig, 'no-data')).toEqual([])
    await rig.live(1680)
    expect(await states(rig, 'no-data')).toEqual(['raised'])
    await rig.station.stop('test')
    const again = await start()
    await again.live(2700)
    expect(await states(again, 'no-data')).toEqual(['raised'])
    sensor.dumb = false
    await again.live(3300)
    expect(await states(again, 'no-data')).toEqual(['raised', 'normal'])
  })

  it('raise a low supply, an open case and a hot case, and bring them back', async () => {
    const clock = newClock()
    const gauge = new ToldGauge({ temperature: 65 })
    let on = true
    const sign = { name: 'told sign', isLow: () => Promise.resolve(good(on)) }
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20 }) }],
      gauge,
      supply: sign,
      ports: () => ({ caseOpen: sign }),
      options: { troubles },
    })
    await rig.live(1500)
    on = false
    gauge.values.temperature = 20
    await rig.live(3600)
    for (const rule of ['low-supply', 'case-open', 'case-temperature'])
      expect(await states(rig, rule), rule).toEqual(['raised', 'normal'])
  })
})

describe('the rules of particles out of the box', () => {
  it('raise PM10 only when two 10-min means running are at the level, and once', async () => {
    const clock = newClock()
    const rules = builtInRules(['pm10'], [], {}, [])
    const sensor = new ToldSensor(clock, { pm2_5: (at) => (at > 1800 && at < 5400 ? 200 : 20) })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }], options: { rules } })
    await rig.live(2400)
    expect(await states(rig, 'pm10-dust')).toEqual([])
    await rig.live(9000)
    expect(await states(rig, 'pm10-dust')).toEqual(['raised', 'normal'])
  })
})
