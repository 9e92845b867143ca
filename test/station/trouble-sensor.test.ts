/** The rules of troubles that a sensor gives: each is raised by its cause, and over when the cause is. */
import { describe, expect, it } from 'vitest'
import { troubleChoices } from '../../agent/alerts/alerts.js'
import { frameBytes, plausibleFrame, writeFrame } from '../../agent/simulation/frames.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { Baseline } from '../../agent/station/trouble-baseline.js'
import { keptState, rulesTold, statesOf, toldOf, type KeptState } from '../support/alert-lines.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'

const troubles = troubleChoices([], [])
const hour = 3600
const day = 24 * hour
const startDay = startUtc / (day * 1000)

/** A frame of 20 ug/m3, or of nothing at all. */
function frame(at: number, isEmpty: boolean): Uint8Array {
  const bytes = new Uint8Array(frameBytes)
  const none = { standardParticle: [0, 0, 0], atmospheric: [0, 0, 0], counts: [0, 0, 0, 0, 0, 0] } as const
  writeFrame(bytes, 0, isEmpty ? none : plausibleFrame(20 + (at % 2), 1.5))
  return bytes
}

describe('the rules of a sensor', () => {
  it('raise fan-or-inlet when nothing is counted any more, once, and end it when the fan turns', async () => {
    const clock = newClock()
    const bytes = (at: number): Uint8Array => frame(at, at >= 1200 && at < 3600)
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, bytes })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      options: { troubles },
    })
    await rig.live(1740)
    expect(await rulesTold(rig)).toEqual([])
    await rig.live(3600)
    expect(await statesOf(rig, 'fan-or-inlet')).toEqual(['raised'])
    await rig.live(5400)
    expect(await statesOf(rig, 'fan-or-inlet')).toEqual(['raised', 'normal'])
    expect(await rulesTold(rig)).toEqual(['fan-or-inlet'])
  })

  it('do not take silence for a fan that turns again', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, bytes: (at) => frame(at, at >= 1200) })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      options: { troubles },
    })
    await rig.live(3600)
    sensor.dumb = true
    await rig.live(7200)
    expect(await statesOf(rig, 'fan-or-inlet')).toEqual(['raised'])
    expect(await statesOf(rig, 'no-data')).toEqual(['raised'])
  })

  it('raise line-errors when more than 5 % of the bytes of an hour are lost, and end it after a clean one', async () => {
    const clock = newClock()
    // Four bytes of noise behind each frame of 32: 11 %.
    const bytes = (at: number): Uint8Array =>
      at < 2 * hour ? Uint8Array.from([...frame(at, false), 1, 2, 3, 4]) : frame(at, false)
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, bytes })
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      options: { troubles },
    })
    await rig.live(2 * hour)
    expect(await toldOf(rig, 'line-errors')).toMatchObject([{ state: 'raised', value: '11', unit: '%' }])
    await rig.live(4 * hour)
    expect(await statesOf(rig, 'line-errors')).toEqual(['raised', 'normal'])
  })

  it('raise pair-disagrees in the second hour of a disagreement, and end it when both have agreed for long', async () => {
    const clock = newClock()
    const values = [() => 20, (at: number) => (at < 4 * hour ? 60 : 21)]
    const instruments = values.map((pm2_5, i) => ({
      sensor: new ToldSensor(clock, { pm2_5 }),
      options: { name: `sensor ${i + 1}`, slot: String(i + 1), box: 'fence-box' },
    }))
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments,
      options: { troubles, readEverySeconds: 10 },
    })
    await rig.live(1.5 * hour)
    expect(await rulesTold(rig)).toEqual([])
    await rig.live(4 * hour)
    expect(await statesOf(rig, 'pair-disagrees')).toEqual(['raised'])
    await rig.live(9 * hour)
    expect(await statesOf(rig, 'pair-disagrees')).toEqual(['raised', 'normal'])
  })
})

/** A station that begins with these troubles in its checkpoint. */
async function startWith(kept: KeptState, saved: object, pm2_5: (at: number) => number): Promise<Rig> {
  const clock = newClock()
  const disk = new MemoryDisk()
  const start = (): Promise<Rig> =>
    startRig(clock, disk, {
      instruments: [{ sensor: new ToldSensor(clock, { pm2_5, frameAt: (n) => n * 10 }) }],
      options: { troubles, readEverySeconds: 10 },
      state: kept,
    })
  await (await start()).station.stop('test')
  kept.value = { ...kept.value, troubles: saved }
  return start()
}

/** Minutes of a whole day whose cleanest air is `clean`, between dirtier ones. */
const minutesOf = (clean: number) =>
  Array.from({ length: 1440 }, (_, i) => ({
    at: i * 60,
    seconds: 60,
    plannedSeconds: 60,
    usedSeconds: 60,
    mean: i % 10 === 0 ? clean : 3 * clean + (i % 7),
    over: false,
  }))

/** Days of the cleanest air, the newest last. */
const daysOf = (values: readonly number[], newest: number) =>
  values.map((value, i) => ({ day: newest - values.length + 1 + i, value }))

describe('the cleanest air over weeks', () => {
  it('that falls below half is told within the week, and over from 70 % of what it was on', () => {
    const baseline = new Baseline()
    const raisedOn: number[] = []
    for (let number = 0; number < 90; number++) {
      // Weather of three days, and an inlet that closes from day 40 on and is cleaned on day 60.
      const weather = 1 + 0.3 * ((number % 3) - 1)
      const share = number < 40 || number >= 60 ? 1 : 0.35
      baseline.dayOver('pm2_5', number, minutesOf(8 * weather * share))
      if (baseline.seen().holds) raisedOn.push(number)
    }
    expect([raisedOn[0], raisedOn.at(-1)]).toEqual([43, 62])
    expect(raisedOn).toHaveLength(20)
    expect(JSON.stringify(baseline.save()).length).toBeLessThan(1000)
  })

  it('is not told of weather, of few days, of air that is clean anyway, or of another unit', () => {
    const falls = (before: number, days: number, now: number, forget = false): boolean => {
      const baseline = new Baseline()
      for (let number = 0; number < days; number++) baseline.dayOver('pm2_5', number, minutesOf(before))
      if (forget) baseline.forget('pm2_5')
      for (let number = days; number < days + 7; number++) baseline.dayOver('pm2_5', number, minutesOf(now))
      return baseline.seen().holds
    }
    expect(falls(8, 21, 3)).toBe(true)
    expect(falls(8, 21, 5)).toBe(false)
    expect(falls(8, 9, 3)).toBe(false)
    expect(falls(1.5, 21, 0.5)).toBe(false)
    expect(falls(8, 21, 3, true)).toBe(false)
  })

  it('raises falling-baseline from what the checkpoint kept and the day that is over, and ends it', async () => {
    const kept = keptState()
    const earlier = daysOf([...Array<number>(21).fill(10), 4, 4, 4], startDay - 1)
    const saved = { baseline: { pm2_5: { days: earlier, holds: false } }, hours: {}, day: '2026-03-01' }
    const rig = await startWith(kept, saved, (at) => (at < day ? 4 : 12))
    await rig.live(day + 1200)
    expect(await toldOf(rig, 'falling-baseline')).toMatchObject([{ state: 'raised', priority: 'low' }])
    await rig.station.stop('test')
    expect(kept.value).toMatchObject({
      troubles: { baseline: { pm2_5: { holds: true } }, day: '2026-03-02' },
    })
    const { baseline } = kept.value!.troubles as { baseline: { pm2_5: object } }
    // Four days of the new air more, as the days that follow would have kept them.
    const later = daysOf([10, 10, 10, 4, 4, 4, 4, 12, 12, 12], startDay)
    const clean = { baseline: { pm2_5: { ...baseline.pm2_5, days: later } }, hours: {}, day: '2026-03-01' }
    const again = await startWith(keptState(), clean, () => 12)
    await again.live(day + 1200)
    expect(await statesOf(again, 'falling-baseline')).toEqual(['raised', 'normal'])
  })
})

describe('the running hours of a sensor', () => {
  it('raise sensor-aging at 6,000 and sensor-old, which marks the readings, at 8,000, stand in the checkpoint, and begin anew with another unit', async () => {
    const seconds = (hours: number) => ({ baseline: {}, hours: { '': { unit: '', seconds: hours * hour } } })
    const kept = keptState()
    const young = await startWith(kept, seconds(5999), () => 20)
    await young.live(0.75 * hour)
    expect(await rulesTold(young)).toEqual([])
    await young.live(1.5 * hour)
    expect(await toldOf(young, 'sensor-aging')).toMatchObject([{ state: 'raised', value: '6000', unit: 'h' }])
    expect(await statesOf(young, 'sensor-old')).toEqual([])
    await young.station.stop('test')
    const { hours } = kept.value!.troubles as { hours: Record<string, { seconds: number }> }
    expect(hours[''].seconds).toBeGreaterThan(6000 * hour)

    const old = await startWith(keptState(), seconds(7999.5), () => 20)
    await old.live(hour)
    const markedOf = async (rig: Rig): Promise<(number | undefined)[]> =>
      (await rig.records()).map(({ marked }) => marked['past-life'])
    expect(new Set(await markedOf(young))).toEqual(new Set([undefined]))
    // The hour is full after half an hour; it is looked for every ten minutes.
    const marked = await markedOf(old)
    expect(marked[25]).toBeUndefined()
    expect(marked[50]).toBeGreaterThan(10)
    for (const rule of ['sensor-aging', 'sensor-old']) expect(await statesOf(old, rule)).toEqual(['raised'])
    await old.station.addEntry({ kind: 'swapped', old_serial: '00417', new_serial: '00533' })
    await old.live(1.5 * hour)
    expect((await markedOf(old)).at(-1)).toBeUndefined()
    for (const rule of ['sensor-aging', 'sensor-old'])
      expect(await statesOf(old, rule), rule).toEqual(['raised', 'normal'])
  })
})
