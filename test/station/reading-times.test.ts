import { describe, expect, it } from 'vitest'
import { loadLayout } from '../../agent/cli/layouts.js'
import { stuffedFrame } from '../../agent/instruments/instruments.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

const readCommand = Uint8Array.of(0x42, 0x4d, 0xe2, 0, 0, 1, 0x71)
const sum = (numbers: readonly number[]): number => numbers.reduce((a, b) => a + b, 0)

async function usedShare(rig: Rig, from: number): Promise<number> {
  const records = (await rig.records()).filter((record) => record.mono >= from)
  return sum(records.map((record) => rig.value(record, 'pm2_5', 'used'))) / sum(records.map((r) => r.seconds))
}

describe('the worst hour', () => {
  it('counts every reading from five minutes after power-on, within 2 % of a hand sum, and says at least', async () => {
    const clock = newClock()
    // 20 to 900 ug/m3 and never level.
    const pm2_5 = (at: number): number => 460 + 440 * Math.sin(at / 17)
    const sensor = new ToldSensor(clock, { pm2_5 })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(3600)
    let byHand = 0
    // Its first frame is heard at 2 s.
    for (let t = 302; t < 3600; t++) byHand += Math.min(500, Math.round(pm2_5(t))) / 3298
    const average = rig.station.averagesOf('pm2_5')['1-h'] as Record<string, unknown>
    expect(Math.abs(Number(average.mean) / byHand - 1)).toBeLessThan(0.02)
    expect(average.at_least).toBe(true)
    expect(await usedShare(rig, 360)).toBeCloseTo(1, 6)
    const [, , , , , sixth] = await rig.records()
    expect(sixth.excluded).toEqual({ 'warm-up': 2 })
    expect(sixth.marked['not-settled']).toBeCloseTo(58, 6)
    expect(sixth.marked['over-range']).toBeGreaterThan(20)
    const last = (await rig.records()).at(-1)!
    expect(last.marked['not-settled']).toBeUndefined()
  })
})

describe('frames in their own time', () => {
  it('keep a data capture of 95 % when they come every 2.3 s', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 2.3 })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(3600)
    expect(await usedShare(rig, 120)).toBeGreaterThanOrEqual(0.95)
  })

  it('weigh by the time they cover when the sensor answers faster in changing air', async () => {
    const clock = newClock()
    // Each minute: 40 s of calm air in frames every 2 s, then 20 s of dust in frames every 0.25 s.
    const inMinute = (n: number): number => (n < 20 ? n * 2 : 40 + (n - 20) * 0.25)
    const frameAt = (n: number): number => Math.floor(n / 100) * 60 + inMinute(n % 100)
    const pm2_5 = (at: number): number => (at % 60 < 40 ? 10 : 100)
    const sensor = new ToldSensor(clock, { pm2_5, frameAt })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(1200)
    const record = (await rig.records()).at(-1)!
    // By time 40 and by number of frames 82; the mean of the readings as they come would say the latter.
    expect(rig.value(record, 'pm2_5', 'mean')).toBeGreaterThan(36)
    expect(rig.value(record, 'pm2_5', 'mean')).toBeLessThan(44)
    expect(rig.value(record, 'pm2_5', 'used')).toBeCloseTo(60, 6)
  })
})

describe('read_every_s', () => {
  it('is each instrument its own: one is pulled every second, the other every ten', async () => {
    const clock = newClock()
    const sensors = [1, 2].map(() => new ToldSensor(clock, { pm2_5: () => 20 }))
    const pulls = sensors.map((sensor) => countPulls(sensor))
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [
        { sensor: sensors[0], options: { name: 'fast', slot: '1', readEverySeconds: 1 } },
        { sensor: sensors[1], options: { name: 'slow', slot: '2', readEverySeconds: 10 } },
      ],
    })
    await rig.live(600)
    expect(pulls[0].count).toBeGreaterThan(590)
    expect(pulls[1].count).toBeLessThan(75)
    expect(pulls[1].count).toBeGreaterThan(55)
    const record = (await rig.records()).at(-1)!
    expect(rig.value(record, 'pm2_5.1', 'used')).toBeCloseTo(60, 6)
    expect(rig.value(record, 'pm2_5.2', 'used')).toBeCloseTo(60, 6)
  })

  it('of a minute loses no reading of a sensor that sends by itself, and is no silence', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor, options: { readEverySeconds: 60 } }],
      options: { readEverySeconds: 60 },
    })
    await rig.live(1200)
    expect(rig.codes()).toEqual([])
    expect(await usedShare(rig, 180)).toBeGreaterThan(0.99)
    expect(sensor.opened).toBe(1)
  })

  it('says how often a sensor that must be asked is asked, and a reading has the time of its asking', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, onlyWhenAsked: true })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor, options: { readEverySeconds: 10, ask: readCommand } }],
    })
    await rig.live(1200)
    expect(rig.codes()).toEqual([])
    expect(sensor.written.length).toBeGreaterThan(115)
    expect(sensor.written.length).toBeLessThan(123)
    const record = (await rig.records()).at(-1)!
    // Six readings a minute, each covers 3 s at most: 18 s of 60, and the rest is no data.
    expect(rig.value(record, 'pm2_5', 'used')).toBeCloseTo(18, 6)
    expect(record.excluded['no-data']).toBeCloseTo(42, 6)
  })
})

describe('commands', () => {
  it('clean the sensor so often, excluded as warm-up, with an event, and a restart does not begin the count anew', async () => {
    const disk = new MemoryDisk()
    const clean = { bytes: Uint8Array.of(0x7e, 0, 0x56, 0, 0xa9, 0x7e), everySeconds: 7200 }
    const clock = newClock()
    const start = async (): Promise<{ rig: Rig; sensor: ToldSensor }> => {
      const sensor = floats(clock)
      const options = { clean, name: 'floats' }
      const rig = await startRig(clock, disk, {
        instruments: [{ sensor, options, layout: 'stuffed-7e-floats' }],
      })
      return { rig, sensor }
    }
    const cleanings = (sensor: ToldSensor): number[] =>
      sensor.written.filter(({ hex }) => hex === '7e005600a97e').map(({ at }) => Math.round(at))
    const first = await start()
    await first.rig.live(9000)
    expect(cleanings(first.sensor)).toEqual([7200])
    const record = (await first.rig.records()).find(({ mono }) => mono >= 7200)!
    expect(record.excluded['warm-up']).toBeGreaterThan(58)
    await first.rig.station.stop('test')
    const second = await start()
    await second.rig.live(15_000)
    expect(cleanings(second.sensor)).toEqual([14_400])
  })

  it('put the sensor to sleep when the agent stops, where the settings say so', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const sleep = Uint8Array.of(0x42, 0x4d, 0xe4, 0, 0, 1, 0x73)
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor, options: { sleep } }] })
    await rig.live(100)
    expect(sensor.written).toEqual([])
    await rig.station.stop('test')
    expect(sensor.written.map(({ hex }) => hex)).toEqual(['424de400000173'])
  })
})

/** Frames of ten floats, one a second. */
function floats(clock: ReturnType<typeof newClock>): ToldSensor {
  const layout = loadLayout('stuffed-7e-floats')
  if (!layout.ok || layout.value.framing.kind !== 'stuffed') throw new Error('no such layout')
  const { framing } = layout.value
  const bytes = (_: number, n: number): Uint8Array => {
    const data = new DataView(new ArrayBuffer(40))
    const values = [8, 12, 14, 15, 60, 75, 78, 79, 80 + (n % 3) / 10, 0.5]
    values.forEach((value, i) => data.setFloat32(4 * i, value))
    return stuffedFrame(framing, Uint8Array.from([0, 3, 0, 40, ...new Uint8Array(data.buffer)]))
  }
  return new ToldSensor(clock, { pm2_5: () => 12, bytes })
}

function countPulls(sensor: ToldSensor): { count: number } {
  const counter = { count: 0 }
  const open = sensor.open.bind(sensor)
  sensor.open = async () => {
    const opened = await open()
    if (!opened.ok) return opened
    const line = opened.value
    return {
      ok: true,
      value: { ...line, readAvailable: () => (counter.count++, line.readAvailable()) },
    }
  }
  return counter
}
