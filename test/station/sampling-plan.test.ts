import { describe, expect, it } from 'vitest'
import type { AlertRule } from '../../agent/alerts/alerts.js'
import { command } from '../../agent/instruments/instruments.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import type { SamplingStep } from '../../agent/power/power.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { good, done, type EventLine, type OnOffSwitch, type RecordLine } from '../../agent/terms/terms.js'
import { alertJson } from '../../agent/station/messages.js'
import type { StationOptions } from '../../agent/station/station.js'
import { energyOf } from '../support/station-options.js'
import {
  newClock,
  startRig,
  ToldGauge,
  ToldSensor,
  type Rig,
  type RigOptions,
} from '../support/station-rig.js'

const hour = 3600
const layout = loadLayout('frames-424d-32')
const sleep = layout.ok ? command(layout.value, 'sleep')! : new Uint8Array()
const wake = layout.ok ? command(layout.value, 'wake')! : new Uint8Array()
const hex = (bytes: Uint8Array): string => Buffer.from(bytes).toString('hex')

const smoke: AlertRule = {
  rule: 'smoke',
  channel: 'pm2_5',
  average: '10-min',
  direction: 'above',
  level: 100,
  backAt: 80,
  onDelaySeconds: 0,
  offDelaySeconds: 0,
  leastDataCapture: 0.75,
  priority: 'high',
}

interface Run {
  readonly rig: Rig
  readonly sensor: ToldSensor
  readonly gauge: ToldGauge
}

interface Start {
  readonly plan: SamplingStep | 'protecting'
  readonly volts?: number
  readonly celsius?: number
  readonly disk?: MemoryDisk
  readonly clock?: ReturnType<typeof newClock>
  readonly state?: RigOptions['state']
  readonly supply?: OnOffSwitch
  readonly rules?: StationOptions['rules']
  readonly richer?: boolean
  readonly pm2_5?: (at: number) => number
}

async function start(of: Start): Promise<Run> {
  const clock = of.clock ?? newClock()
  const sensor = new ToldSensor(clock, { pm2_5: of.pm2_5 ?? (() => 20) })
  const gauge = new ToldGauge({
    battery_voltage: of.volts ?? 13.3,
    battery_current: 0,
    ...(of.celsius === undefined ? {} : { 'temperature.outside': of.celsius }),
  })
  const options = { wake, planned: { command: sleep, supply: of.supply } }
  const rig = await startRig(clock, of.disk ?? new MemoryDisk(), {
    instruments: [{ sensor, options }],
    gauge,
    state: of.state,
    options: { energy: energyOf(of.plan, { richerWhenAlerted: of.richer }), rules: of.rules ?? [] },
  })
  return { rig, sensor, gauge }
}

const sent = (sensor: ToldSensor, bytes: Uint8Array): number[] =>
  sensor.written.filter((one) => one.hex === hex(bytes)).map((one) => one.at)

const events = async (rig: Rig, name: string): Promise<EventLine[]> =>
  (await rig.lines()).filter((line): line is EventLine => line.kind === 'event' && line.name === name)

const memory = (): { state: NonNullable<RigOptions['state']>; saved: () => unknown } => {
  let value: unknown
  return {
    saved: () => value,
    state: {
      load: () => Promise.resolve(good(value)),
      save: (next) => {
        value = JSON.parse(JSON.stringify(next))
        return Promise.resolve(done)
      },
    },
  }
}

describe('the sampling plan of a station', () => {
  it('runs five of fifteen minutes: the sensor sleeps between, and planned seconds say so', async () => {
    const { rig, sensor } = await start({ plan: '5-of-15' })
    await rig.live(2 * hour)
    const records = (await rig.records()).filter((record) => record.mono >= hour)
    expect(records).toHaveLength(60)
    expect(records.reduce((sum, record) => sum + record.planned, 0)).toBe(20 * 60)
    const used = records.reduce((sum, record) => sum + rig.value(record, 'pm2_5', 'used'), 0)
    // Each window has its 30 s of warm-up, and what the first read after waking finds is stale.
    expect(used).toBeGreaterThan(4 * 260)
    expect(used).toBeLessThanOrEqual(4 * 270)
    expect(sent(sensor, sleep)).toHaveLength(8)
    for (const at of sent(sensor, sleep)) expect(at % 900).toBeCloseTo(300, 0)
    for (const record of records.filter(({ planned }) => planned === 0)) {
      expect(record.excluded).toEqual({})
      expect(rig.value(record, 'battery_voltage', 'used')).toBe(60)
    }
  })

  it('gives data capture against planned time, and the sampled share of all time', async () => {
    const { rig } = await start({ plan: '5-of-15' })
    await rig.live(3 * hour)
    const figure = rig.station.averagesOf('pm2_5')['1-h'] as Record<string, number>
    expect(figure.data_capture_percent).toBeGreaterThan(86)
    expect(figure.sampled_share_percent).toBeGreaterThan(28)
    expect(figure.sampled_share_percent).toBeLessThan(31)
  })

  it('calls no sleeping sensor silent, and one that does not wake', async () => {
    const { rig, sensor } = await start({ plan: '5-of-60' })
    await rig.live(50 * 60)
    expect(rig.codes()).not.toContain('sensor-silent')
    sensor.dumb = true
    await rig.live(hour + 60)
    expect(rig.codes()).toContain('sensor-silent')
    await rig.live(hour + 10 * 60)
    expect(rig.codes()).not.toContain('sensor-silent')
  })

  it('switches a supply in place of a command, and warms up longer for it', async () => {
    const set: boolean[] = []
    const supply = { name: 'relay', set: (on: boolean) => (set.push(on), Promise.resolve(done)) }
    const { rig } = await start({ plan: '5-of-15', supply })
    await rig.live(20 * 60)
    expect(set).toEqual([true, false, true, false])
    const warm = (await rig.records()).filter((record) => record.mono >= 900)
    expect(Math.round(warm.reduce((sum, record) => sum + (record.excluded['warm-up'] ?? 0), 0))).toBe(60)
  })

  it('goes to the heartbeat below the reserve once seen twice, and says so as an event', async () => {
    const { rig, sensor, gauge } = await start({ plan: 'protecting' })
    await rig.live(10 * 60)
    expect(await events(rig, 'sampling-plan')).toEqual([])
    gauge.values.battery_current = -12
    await rig.live(2 * hour)
    const told = await events(rig, 'sampling-plan')
    expect(told).toHaveLength(1)
    expect(told[0].details).toMatchObject({ from: 'continuous', to: 'heartbeat', reason: 'below-reserve' })
    expect(rig.codes()).toContain('sampling-reduced')
    expect(sent(sensor, sleep).length).toBe(1)
    expect((await rig.records()).at(-1)!.planned).toBe(0)
  })

  it('does nothing about single readings of 0, 48 and -1 V, and flags them', async () => {
    const { rig, gauge } = await start({ plan: 'protecting' })
    await rig.live(10 * 60)
    for (const volts of [0, 48, -1]) {
      gauge.values.battery_voltage = volts
      await rig.live(rig.clock.mono() + 60)
      expect(rig.codes()).toContain('gauge-absurd')
      gauge.values.battery_voltage = 13.3
      await rig.live(rig.clock.mono() + 300)
      expect(rig.codes()).not.toContain('gauge-absurd')
    }
    expect(await events(rig, 'sampling-plan')).toEqual([])
  })

  it('says what it rests on when gauges go: counting, voltage only, what was known', async () => {
    const { rig, gauge } = await start({ plan: 'protecting' })
    const rests = (): unknown => (rig.health().energy as Record<string, unknown>).rests_on
    await rig.live(5 * 60)
    expect(rests()).toBe('counting')
    gauge.values.battery_current = undefined
    await rig.live(10 * 60)
    expect(rests()).toBe('voltage only')
    expect(rig.codes()).toContain('gauge-missing')
    gauge.values.battery_voltage = undefined
    await rig.live(15 * 60)
    expect(rests()).toBe('what was known before: no gauge answers')
  })

  it('tells at once that lithium cells are charged in the frost', async () => {
    const { rig, gauge } = await start({ plan: 'continuous', celsius: -5 })
    await rig.live(120)
    expect(rig.codes()).not.toContain('charging-cold')
    gauge.values.battery_current = 2
    await rig.live(240)
    expect(rig.codes()).toContain('charging-cold')
  })

  it('keeps step and charge over a restart in order, and waits for recovery after a hard cut', async () => {
    const disk = new MemoryDisk()
    const { state } = memory()
    const first = await start({ plan: 'protecting', disk, state })
    first.gauge.values.battery_current = -12
    await first.rig.live(2 * hour)
    // No stop: the battery ended it. The board starts again at dawn, six times.
    let cuts: unknown
    for (let flap = 1; flap <= 6; flap++) {
      const clock = newClock(
        `b007000${flap}-0000-4000-8000-00000000000${flap}`,
        Date.UTC(2026, 2, 1, 6 + flap),
      )
      const again = await start({ plan: 'protecting', disk, state, clock, volts: 12.6 })
      await again.rig.live(120)
      expect(again.rig.codes()).toContain('hard-cut')
      expect(sent(again.sensor, wake)).toEqual([])
      expect((await again.rig.records()).at(-1)!.planned).toBe(0)
      cuts = (again.rig.health().energy as Record<string, unknown>).hard_cuts
    }
    expect(cuts).toBe(6)
  })

  it('decides nothing while no gauge answers, and tells that it is blind', async () => {
    const { rig, gauge } = await start({ plan: 'protecting' })
    // The first asking is at the start.
    const blind = new ToldGauge({ battery_voltage: undefined })
    gauge.values.battery_voltage = undefined
    await rig.live(600)
    expect(await events(rig, 'sampling-plan')).toEqual([])
    const sensor = new ToldSensor(newClock(), { pm2_5: () => 20 })
    const options = { energy: energyOf('protecting') }
    const other = await startRig(newClock(), new MemoryDisk(), {
      instruments: [{ sensor }],
      gauge: blind,
      options,
    })
    await other.live(600)
    expect(other.codes()).toContain('charge-unknown')
  })

  it('keeps an alert as it was while nothing is planned: asleep by plan, and neither unknown nor a fault', async () => {
    const { rig, gauge } = await start({ plan: 'protecting', rules: [smoke], pm2_5: () => 150 })
    await rig.live(10 * 60)
    expect(rig.station.alerts[0].state).toBe('raised')
    gauge.values.battery_current = -12
    await rig.live(4 * hour)
    expect((await rig.records()).at(-1)!.planned).toBe(0)
    const [alert] = rig.station.alerts
    expect([alert.state, alert.unknownSince, alert.asleepByPlan]).toEqual(['raised', undefined, true])
    const message = alertJson(alert, 'ug/m3', undefined)
    expect(message).toMatchObject({ state: 'raised', asleep_by_plan: true })
    expect(rig.codes().filter((code) => /silent|stuck|excluded|no-data/.test(code))).toEqual([])
    expect(await events(rig, 'alert')).toHaveLength(1)
  })

  it('calls a sensor that fails within its windows unknown, and not asleep', async () => {
    const { rig, sensor } = await start({ plan: '5-of-15', rules: [smoke] })
    await rig.live(hour)
    const [alert] = rig.station.alerts
    expect([alert.unknownSince, alert.asleepByPlan]).toEqual([undefined, false])
    sensor.dumb = true
    await rig.live(hour + 10 * 60)
    expect(alert.unknownSince).toBeDefined()
  })

  it('samples between the windows while an alert stands, where that is asked for: for the alert and no figure', async () => {
    const pm2_5 = (at: number): number => (at < 3 * hour + 450 ? 150 : 20)
    const asked = await start({ plan: '5-of-15', rules: [smoke], richer: true, pm2_5 })
    const plain = await start({ plan: '5-of-15', rules: [smoke], pm2_5 })
    for (const { rig } of [asked, plain]) await rig.live(4 * hour)
    const usedOf = (record: RecordLine): number => asked.rig.value(record, 'pm2_5', 'used')
    const onRequest = (await asked.rig.records()).filter(({ planned }) => planned === 0)
    const within = onRequest.filter(({ mono }) => mono >= hour && mono < 3 * hour)
    expect(within).toHaveLength(80)
    for (const record of within) {
      // The reading before the edge covers the second after it.
      expect(usedOf(record)).toBeGreaterThanOrEqual(58)
      expect(record.marked['on-request']).toBeGreaterThanOrEqual(58)
    }
    // Back as soon as the air is, where the plan alone would have waited for the next window; then it sleeps again.
    const backAt = async ({ rig }: Run): Promise<number> => (await events(rig, 'alert')).at(-1)!.mono
    expect(await backAt(asked)).toBeLessThan(await backAt(plain))
    expect(usedOf((await asked.rig.records()).at(-1)!) || 0).toBe(0)
    for (const { rig } of [asked, plain]) {
      const figure = rig.station.averagesOf('pm2_5')['24-h'] as Record<string, number>
      expect(figure.sampled_share_percent).toBeLessThan(34 * (4 / 24))
    }
  })

  it('samples nothing on request at the heartbeat, however high the alert', async () => {
    const { rig, gauge } = await start({ plan: 'protecting', rules: [smoke], richer: true, pm2_5: () => 150 })
    await rig.live(10 * 60)
    gauge.values.battery_current = -12
    await rig.live(3 * hour)
    expect(rig.station.alerts[0].state).toBe('raised')
    expect((await rig.records()).at(-1)).toMatchObject({ planned: 0, marked: {} })
  })
})
