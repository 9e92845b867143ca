import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { bad, done, type EventLine, type Outcome } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldSensor, type Rig, type RigInstrument } from '../support/station-rig.js'

const wake = Uint8Array.of(0x42, 0x4d, 0xe4, 0, 1, 1, 0x74)
const powerCycle = { afterSeconds: 300, everySeconds: 3600 }

async function start(
  cycle: (() => Promise<Outcome<void>>) | undefined,
  options: RigInstrument['options'] = {},
): Promise<{ rig: Rig; sensor: ToldSensor }> {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [
      { sensor, options: { wake, powerCycle, ...options }, power: cycle && { name: 'told switch', cycle } },
    ],
  })
  return { rig, sensor }
}

async function cycles(rig: Rig): Promise<EventLine[]> {
  const lines = await rig.lines()
  return lines.filter((line): line is EventLine => line.kind === 'event' && line.name === 'power-cycle')
}

describe('a sensor that falls silent', () => {
  it('is silent after 10 s, woken, and its port opened anew after 30 s', async () => {
    const { rig, sensor } = await start(undefined)
    await rig.live(100)
    sensor.dumb = true
    await rig.live(109)
    expect(rig.codes()).toEqual([])
    const wokenBefore = sensor.written.length
    await rig.live(111)
    expect(rig.codes()).toEqual(['sensor-silent'])
    expect(sensor.written.length).toBe(wokenBefore + 1)
    await rig.live(129)
    expect(sensor.opened).toBe(1)
    await rig.live(135)
    expect(sensor.opened).toBe(2)
    sensor.dumb = false
    await rig.live(140)
    expect(rig.codes()).toEqual([])
  })

  it('is told apart from one whose bytes make no frame', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, {
      pm2_5: () => 20,
      bytes: () => new TextEncoder().encode('login: '),
    })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(20)
    expect(rig.codes()).toEqual(['sensor-garbage'])
  })

  it('has its power cycled after 5 min, then at most once an hour, each time with an event', async () => {
    let runs = 0
    const { rig, sensor } = await start(() => {
      runs++
      return Promise.resolve(done)
    })
    await rig.live(100)
    sensor.dumb = true
    await rig.live(399)
    expect(runs).toBe(0)
    await rig.live(401)
    expect(runs).toBe(1)
    await rig.live(3990)
    expect(runs).toBe(1)
    await rig.live(4010)
    expect(runs).toBe(2)
    expect((await cycles(rig)).map((event) => event.details)).toEqual([
      { instrument: 'sensor', result: 'done', without_data_s: '300' },
      { instrument: 'sensor', result: 'done', without_data_s: '3900' },
    ])
    expect(rig.health().instruments).toMatchObject([{ power_cycles: { runs: 2, last_age_s: 10 } }])
  })

  it('warms up anew after its power was cycled', async () => {
    const { rig, sensor } = await start(() => {
      sensor.dumb = false
      return Promise.resolve(done)
    })
    await rig.live(100)
    sensor.dumb = true
    await rig.live(900)
    const warmUp = (await rig.records())
      .filter((record) => record.mono >= 360)
      .reduce((sum, record) => sum + (record.excluded['warm-up'] ?? 0), 0)
    expect(Math.round(warmUp)).toBe(60)
  })

  it('is cycled although its port is gone, and a switch that fails is a fault until readings are back', async () => {
    const { rig, sensor } = await start(() =>
      Promise.resolve(bad('power-cycle-failed', 'told switch ended with 3')),
    )
    await rig.live(100)
    sensor.gone = true
    await rig.live(420)
    expect(rig.codes()).toContain('power-cycle-failed')
    expect((await cycles(rig))[0].details.result).toBe('failed')
    sensor.gone = false
    await rig.live(440)
    expect(rig.codes()).toEqual([])
  })

  it('is not cycled while a switch is still at it', async () => {
    let runs = 0
    let end: (result: Outcome<void>) => void = () => undefined
    const { rig, sensor } = await start(
      () => {
        runs++
        return new Promise((resolve) => (end = resolve))
      },
      { powerCycle: { afterSeconds: 60, everySeconds: 300 } },
    )
    sensor.dumb = true
    const living = rig.live(1000)
    // Virtual time stands still while the switch is at work.
    for (let i = 0; i < 50 && runs === 0; i++) await new Promise((resolve) => setImmediate(resolve))
    expect(runs).toBe(1)
    end(done)
    for (let i = 0; i < 2000 && runs < 4; i++) {
      await new Promise((resolve) => setImmediate(resolve))
      end(done)
    }
    await living
    expect(runs).toBe(4)
  })
})

describe('a port that keeps going away', () => {
  it('is one fault however often, and over after a steady hour', async () => {
    const { rig, sensor } = await start(undefined)
    for (let n = 1; n <= 5; n++) {
      await rig.live(n * 60)
      sensor.gone = true
      await rig.live(n * 60 + 8)
      sensor.gone = false
    }
    await rig.live(400)
    expect(rig.codes()).toEqual(['port-unsteady'])
    expect(rig.told.filter((words) => words.includes('again and again'))).toHaveLength(1)
    await rig.live(4200)
    expect(rig.codes()).toEqual([])
  })
})
