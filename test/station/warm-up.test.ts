import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { VirtualClock } from '../../agent/simulation/virtual-clock.js'
import { bootWord } from '../../agent/terms/terms.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const otherBoot = 'b0070002-0000-4000-8000-000000000002'
const hour = 3600

interface Run {
  readonly rig: Rig
  readonly sensor: ToldSensor
}

async function startOn(clock: VirtualClock, disk: MemoryDisk, gauge?: ToldGauge): Promise<Run> {
  const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
  return { rig: await startRig(clock, disk, { instruments: [{ sensor }], gauge }), sensor }
}

/** Excluded seconds of warm-up in the records of this boot from a time on. */
async function warmUpSince(rig: Rig, mono: number): Promise<number> {
  const boot = bootWord(rig.clock.bootId)
  const records = (await rig.records()).filter((record) => record.boot === boot && record.mono >= mono)
  return Math.round(records.reduce((sum, record) => sum + (record.excluded['warm-up'] ?? 0), 0))
}

/** A station lives five minutes, ends, and begins again on the same disk. */
async function after(
  restSeconds: number,
  second: { boot: 'same' | 'other'; source?: string; gauge?: ToldGauge },
): Promise<number> {
  const disk = new MemoryDisk()
  const clock = newClock()
  const first = await startOn(clock, disk)
  await first.rig.live(300)
  await first.rig.station.stop('test')
  const mono = 300 + restSeconds
  const again = second.boot === 'same' ? clock : newClock(otherBoot, startUtc + mono * 1000)
  if (second.boot === 'same') clock.set(mono as never)
  if (second.source === 'none') again.source = undefined
  const begin = again.mono()
  const { rig } = await startOn(again, disk, second.gauge)
  await rig.live(begin + 240)
  return warmUpSince(rig, begin)
}

describe('the warm-up of a station', () => {
  it('takes 60 s when the store is new', async () => {
    const { rig } = await startOn(newClock(), new MemoryDisk())
    await rig.live(240)
    expect(await warmUpSince(rig, 0)).toBe(60)
  })

  it('takes 30 s when the agent was away for less than an hour and the board was not', async () => {
    expect(await after(600, { boot: 'same' })).toBe(30)
    expect(await after(2 * hour, { boot: 'same' })).toBe(60)
  })

  it('takes 60 s after a short power cut of the board, and 120 s after a day off', async () => {
    expect(await after(600, { boot: 'other' })).toBe(60)
    expect(await after(23 * hour, { boot: 'other' })).toBe(60)
    expect(await after(24 * hour, { boot: 'other' })).toBe(120)
  })

  it('takes 60 s when no clock tells how long the board was off', async () => {
    expect(await after(48 * hour, { boot: 'other', source: 'none' })).toBe(60)
  })

  it('takes 120 s below freezing', async () => {
    const gauge = new ToldGauge({ 'temperature.outside': -3 })
    expect(await after(600, { boot: 'same', gauge })).toBe(120)
  })

  it('takes 60 s after the line was lost for a moment', async () => {
    const { rig, sensor } = await startOn(newClock(), new MemoryDisk())
    await rig.live(300)
    sensor.gone = true
    await rig.live(320)
    sensor.gone = false
    await rig.live(600)
    expect(await warmUpSince(rig, 300)).toBe(60)
  })

  it('takes 120 s after a day in which the sensor gave nothing', async () => {
    const { rig, sensor } = await startOn(newClock(), new MemoryDisk())
    await rig.live(300)
    sensor.dumb = true
    await rig.live(300 + 25 * hour)
    sensor.dumb = false
    await rig.live(900 + 25 * hour)
    expect(await warmUpSince(rig, 300)).toBe(120)
  })
})
