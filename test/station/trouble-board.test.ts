/** The rules of troubles of board, battery, clock, disk and link: each is raised by its cause, and over when the cause is. */
import { describe, expect, it } from 'vitest'
import { troubleChoices } from '../../agent/alerts/alerts.js'
import { chemistries, usualRules } from '../../agent/power/power.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { good, type FaultCode } from '../../agent/terms/terms.js'
import { rulesTold, statesOf, toldOf } from '../support/alert-lines.js'
import { FarEnd } from '../support/far-end.js'
import {
  newClock,
  startRig,
  ToldGauge,
  ToldSensor,
  type Rig,
  type RigOptions,
} from '../support/station-rig.js'
import { energyOf } from '../support/station-options.js'

const troubles = troubleChoices([], [])
const hour = 3600
const day = 24 * hour

/** A station of which all is well but for what a test does to it. */
function start(more: Partial<RigOptions> = {}, disk = new MemoryDisk(), clock = newClock()): Promise<Rig> {
  const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 })
  return startRig(clock, disk, {
    instruments: [{ sensor }],
    ...more,
    options: { troubles, readEverySeconds: 10, ...more.options },
  })
}

describe('faults that other parts tell', () => {
  // What raises them: energy-faults.test.ts, test/uplink and test/collector.
  it.each([
    ['panel', 'panel-weak', 'energy'],
    ['panel', 'load-unexplained', 'energy'],
    ['two-stores', 'store-twins', 'uplink'],
    ['two-stores', 'client-id-clash', 'uplink'],
    ['backlog', 'lines-parked', 'uplink'],
    ['settings-afar', 'settings-on-trial', 'settings'],
    ['settings-afar', 'settings-fell-back', 'settings'],
  ] as [string, FaultCode, string][])(
    'raise %s while %s stands for long enough, and end it',
    async (...given) => {
      const [rule, code, where] = given
      const rig = await start()
      await rig.live(2 * hour)
      rig.station.faults.raise(where, { code, detail: 'as told' }, rig.clock.mono())
      await rig.live(10 * hour)
      expect(await toldOf(rig, rule)).toMatchObject([{ state: 'raised' }])
      expect((await toldOf(rig, rule))[0].detail).toMatch(/: as told$/)
      rig.station.faults.clear(where, code)
      await rig.live(12 * hour)
      expect(await statesOf(rig, rule)).toEqual(['raised', 'normal'])
      expect(await rulesTold(rig)).toEqual([rule])
    },
  )
})

describe('the battery', () => {
  const rules = { ...usualRules, ...chemistries.lifepo4 }
  const energy = (boardWatts: number) => energyOf('continuous', { load: { boardWatts, sensorWatts: 0 } })

  it('below its reserve is told with its charge after half an hour, and is over an hour after it was filled', async () => {
    const gauge = new ToldGauge({ battery_voltage: 12.0, battery_current: -0.1 })
    const rig = await start({ gauge, options: { energy: energy(1) } })
    await rig.live(1500)
    expect(await rulesTold(rig)).toEqual([])
    await rig.live(2 * hour)
    expect(await toldOf(rig, 'battery')).toMatchObject([
      { state: 'raised', priority: 'high', detail: 'below its reserve', unit: '%' },
    ])
    const { troubles } = await rig.station.status()
    expect(troubles).toMatchObject([{ rule: 'battery', state: 'raised', first: expect.stringMatching(/\w/) }])
    gauge.values.battery_voltage = 14.4
    gauge.values.battery_current = 0.05
    await rig.live(8 * hour)
    expect(await statesOf(rig, 'battery')).toEqual(['raised', 'normal'])
    expect((await rig.station.status()).troubles).toEqual([])
  })

  it('that will be at its reserve within three days is told days before, and no more once whole days brought enough', async () => {
    const gauge = new ToldGauge({ battery_voltage: 13.3, battery_current: -0.4 })
    const rig = await start({ gauge, options: { energy: energy(5) } })
    await rig.live(2 * hour)
    const [told] = await toldOf(rig, 'battery')
    expect(told.detail).toMatch(/^at its reserve in [0-2]\.\d days$/)
    expect(Number(told.value)).toBeGreaterThan(rules.reservePercent)
    gauge.values.battery_voltage = 13.6
    gauge.values.battery_current = 1
    await rig.live(80 * hour)
    expect(await statesOf(rig, 'battery')).toEqual(['raised', 'normal'])
  })
})

describe('clock and disk', () => {
  it('raise clock after an hour in which nothing vouched for the time, without one, and end it with a source', async () => {
    const clock = newClock()
    clock.source = undefined
    const rig = await start({}, new MemoryDisk(), clock)
    await rig.live(0.9 * hour)
    expect(await rulesTold(rig)).toEqual([])
    await rig.live(1.2 * hour)
    expect(await statesOf(rig, 'clock')).toEqual(['raised'])
    expect((await toldOf(rig, 'clock'))[0]).not.toHaveProperty('since')
    clock.source = 'ntp'
    await rig.live(2 * hour)
    expect(await statesOf(rig, 'clock')).toEqual(['raised', 'normal'])
  })

  it('raise disk when it takes nothing for five minutes, and write so once it takes lines again', async () => {
    const disk = new MemoryDisk()
    const rig = await start({}, disk)
    await rig.live(hour)
    disk.readOnly = true
    await rig.live(1.5 * hour)
    expect(rig.told.filter((words) => words.startsWith('alert disk'))).toEqual(['alert disk: raised'])
    disk.readOnly = false
    await rig.live(2.5 * hour)
    const [first, second] = await toldOf(rig, 'disk')
    expect([first.state, second.state]).toEqual(['raised', 'normal'])
    expect(first.since).toMatch(/^2026-03-01T01:0/)
    expect(await rulesTold(rig)).toEqual(['disk'])
  })
})

describe('the way out', () => {
  it('raises backlog and link-down in an outage, and both are over when the broker is back', async () => {
    const far = new FarEnd({ receipts: 'none' })
    const rig = await start({
      options: { recordSeconds: 20 },
      ports: (store) => ({ makeUplink: far.uplinkOf(store, 'b0070001-0000-4000-8000-000000000001') }),
    })
    const { live } = rig
    await live(2 * hour)
    far.broker.trouble.refuseConnect = { code: 'broker-unreachable', detail: 'made' }
    far.broker.cut('rig')
    await live(25.5 * hour)
    expect(await rulesTold(rig)).toEqual(['backlog'])
    await live(27 * hour)
    expect(await toldOf(rig, 'link-down')).toMatchObject([{ state: 'raised', value: '24', unit: 'h' }])
    expect(Number((await toldOf(rig, 'backlog'))[0].value)).toBeGreaterThan(2880)
    far.broker.trouble.refuseConnect = undefined
    await live(30 * hour)
    for (const rule of ['link-down', 'backlog'])
      expect(await statesOf(rig, rule), rule).toEqual(['raised', 'normal'])
  })

  it('is no trouble where none is set', async () => {
    const rig = await start()
    await rig.live(1.2 * day)
    expect(await rulesTold(rig)).toEqual([])
  })
})

describe('starts', () => {
  const boot = (n: number) => newClock(`b007000${n}-0000-4000-8000-000000000001`)

  it('that no stop came before raise restart-loop at the fifth within an hour, clock or not, until an hour is quiet; the first start of all is none', async () => {
    const disk = new MemoryDisk()
    let rig: Rig | undefined
    for (let n = 0; n <= 5; n++) {
      const clock = boot(n)
      clock.source = undefined
      rig = await start({}, disk, clock)
      expect(await statesOf(rig, 'restart-loop')).toEqual([])
      await rig.live(300)
    }
    expect(await toldOf(rig!, 'restart-loop')).toMatchObject([
      { state: 'raised', value: '5', unit: 'starts' },
    ])
    await rig!.live(hour + 120)
    expect(await statesOf(rig!, 'restart-loop')).toEqual(['raised', 'normal'])
  })

  it('that a stop came before are none of it', async () => {
    const disk = new MemoryDisk()
    let rig: Rig | undefined
    for (let n = 1; n <= 7; n++) {
      rig = await start({}, disk, boot(n))
      await rig.live(300)
      await rig.station.stop('test')
    }
    expect(await rulesTold(rig!)).toEqual([])
  })
})

it('keeps a trouble that stands over a kill, and tells it once', async () => {
  const disk = new MemoryDisk()
  let isLow = true
  const supply = { name: 'told sign', isLow: () => Promise.resolve(good(isLow)) }
  const first = await start({ supply }, disk)
  await first.live(900)
  expect(await statesOf(first, 'low-supply')).toEqual(['raised'])
  const clock = newClock('b0070002-0000-4000-8000-000000000002')
  const again = await start({ supply }, disk, clock)
  await again.live(1800)
  expect(await statesOf(again, 'low-supply')).toEqual(['raised'])
  isLow = false
  await again.live(3600)
  expect(await statesOf(again, 'low-supply')).toEqual(['raised', 'normal'])
})

describe('what settings change', () => {
  it('holds a trouble back for as long as they say, or leaves it out', async () => {
    const changed = troubleChoices(
      [
        { rule: 'low-supply', use: true, onDelaySeconds: 1800, priority: 'high' },
        { rule: 'clock', use: false },
      ],
      [],
    )
    const supply = { name: 'told sign', isLow: () => Promise.resolve(good(true)) }
    const clock = newClock()
    clock.source = undefined
    const rig = await start({ supply, options: { troubles: changed } }, new MemoryDisk(), clock)
    await rig.live(1740)
    expect(await rulesTold(rig)).toEqual([])
    await rig.live(3 * hour)
    expect(await toldOf(rig, 'low-supply')).toMatchObject([{ state: 'raised', priority: 'high' }])
    expect(await rulesTold(rig)).toEqual(['low-supply'])
  })
})

it('a case that is opened during a visit is no alert', async () => {
  let isOpen = false
  const sign = { name: 'told sign', isLow: () => Promise.resolve(good(isOpen)) }
  const rig = await start({ ports: () => ({ caseOpen: sign }) })
  await rig.live(600)
  await rig.station.addEntry({ kind: 'visit-start' })
  isOpen = true
  await rig.live(1800)
  isOpen = false
  await rig.station.addEntry({ kind: 'visit-end' })
  await rig.live(2 * hour)
  expect(await rulesTold(rig)).toEqual([])
  isOpen = true
  await rig.live(2.2 * hour)
  expect(await statesOf(rig, 'case-open')).toEqual(['raised'])
})
