/** Field cases of scheduling: jobs that never end, intervals that no timer holds, runs that were missed. In made time. */
import { describe, expect, it } from 'vitest'
import { withLimit } from '../../agent/hardware/limit.js'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { settingsJsonSchemaText } from '../../agent/settings/settings.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { good, monoSeconds, type Gauge, type Outcome } from '../../agent/terms/terms.js'
import { testKey } from '../store/test-key.js'
import { base, faultsOf } from '../settings/support.js'
import { gaugeChannel } from '../../agent/station/station.js'
import { newClock, startRig, startUtc, ToldSensor, type Rig } from '../support/station-rig.js'

const never = <T>(): Promise<T> => new Promise<T>(() => undefined)

/** Time goes on although something is in flight that will not end. */
async function liveThrough(rig: Rig, until: number): Promise<void> {
  while (rig.clock.mono() < until) {
    rig.clock.set(monoSeconds(Math.min(until, rig.station.nextTickAt)))
    rig.station.tick()
    await new Promise((resolve) => setImmediate(resolve))
  }
}

describe('jobs that never end [virtual]', () => {
  it('PC-59 a gauge and a state file that never answer are told with the job they hold up, and all other jobs are on time', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 12 })
    const gauge: Gauge = {
      name: 'made',
      read: () => (hangs ? never() : Promise.resolve([{ channel: 'battery_voltage', value: good(12.6) }])),
    }
    let saves = 0
    let hangs = false
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor }],
      state: {
        load: () => Promise.resolve(good(undefined)),
        save: () => {
          saves++
          return hangs ? never<Outcome<void>>() : Promise.resolve(good(undefined))
        },
      },
      ports: () => ({ gauges: [{ gauge, channels: [gaugeChannel('battery_voltage')] }] }),
    })
    await liveThrough(rig, 600)
    const before = saves
    hangs = true
    const jobs = () => (rig.health().jobs ?? {}) as Record<string, number>
    expect(Object.keys(jobs())).toEqual(['write_age_s', 'checkpoint_age_s', 'gauges_age_s'])
    await liveThrough(rig, 3 * 3600)
    const { faults } = rig.health() as { faults: { code: string; detail: string }[] }
    const late = faults.filter(({ code }) => code === 'job-late').map(({ detail }) => detail)
    expect(late.sort()).toMatchObject([
      expect.stringContaining('reading battery'),
      expect.stringContaining('saving the state'),
    ])
    expect(saves - before).toBe(1)
    expect(jobs().checkpoint_age_s).toBeGreaterThan(7000)
    expect(jobs().write_age_s).toBeLessThan(61)
    expect(await rig.records()).toHaveLength(180)
  })
})

describe('intervals [virtual]', () => {
  it('PC-60 no interval of the settings is longer than a timer holds, and no timer fires at once for being too long', async () => {
    // 40 days.
    expect(faultsOf(`${base}health: { every_min: 57600 }\n`)).toMatchObject([{ keyPath: 'health.every_min' }])
    const longest = 2 ** 31 - 1
    const millis: Record<string, number> = { _s: 1000, _min: 60_000, _h: 3_600_000 }
    let intervals = 0
    const visit = (schema: unknown, key: string): void => {
      if (typeof schema !== 'object' || schema === null) return
      const { maximum, properties, items, anyOf } = schema as Record<string, unknown>
      const unit = Object.keys(millis).find((end) => key.endsWith(end))
      if (unit && typeof maximum === 'number') {
        intervals++
        expect(maximum * millis[unit], key).toBeLessThanOrEqual(longest)
      }
      for (const [name, inner] of Object.entries((properties ?? {}) as object)) visit(inner, name)
      visit(items, key)
      for (const inner of (anyOf ?? []) as unknown[]) visit(inner, key)
    }
    visit(JSON.parse(settingsJsonSchemaText()), '')
    expect(intervals).toBeGreaterThan(15)
    let resolve: (value: string) => void = () => undefined
    const work = new Promise<string>((done) => (resolve = done))
    const limited = withLimit(work, 40 * 86_400)
    setTimeout(() => resolve('in time'), 20)
    expect(await limited).toBe('in time')
  })
})

const key = testKey()

function atNight(disk: MemoryDisk, fromSeconds: number): Promise<Rig> {
  const boot = `b00700${fromSeconds % 100}-0000-4000-8000-000000000001`
  const clock = newClock(boot, startUtc + fromSeconds * 1000)
  const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 })
  return startRig(clock, disk, {
    instruments: [{ sensor }],
    options: { readEverySeconds: 10, flushEverySeconds: 300 },
    state: stateFileOn(disk, 'state.json'),
    ports: () => ({ signingKey: () => Promise.resolve(good(key)), freeBytes: () => disk.freeBytes() }),
  })
}

interface Sealed {
  readonly first: number
  readonly last: number
  readonly isSigned: boolean
}

async function sealsOf(rig: Rig): Promise<{ seals: Sealed[]; lastOfDay: number }> {
  const seals: Sealed[] = []
  let lastOfDay = 0
  for (const line of await rig.lines()) {
    if (line.kind === 'record' && (line.utc ?? 0) < startUtc + 86_400_000) lastOfDay = line.seq
    if (line.kind !== 'other' || !line.text.startsWith('seal,')) continue
    const [, , first, last] = line.text.split(',')
    seals.push({ first: Number(first), last: Number(last), isSigned: /,p[0-9a-f]{64},/.test(line.text) })
  }
  return { seals, lastOfDay }
}

describe('the daily seal [virtual]', () => {
  const evening = 22 * 3600

  it('PC-61 a day’s end is signed once, whether the agent runs through it, sleeps over its second or is stopped from 23:50 to 00:20', async () => {
    const through = await atNight(new MemoryDisk(), evening)
    await through.live(4 * 3600)

    const asleep = await atNight(new MemoryDisk(), evening)
    await asleep.live(2 * 3600 - 2)
    asleep.clock.set(monoSeconds(2 * 3600 + 3))
    await asleep.live(4 * 3600)

    const disk = new MemoryDisk()
    const before = await atNight(disk, evening)
    await before.live(110 * 60)
    await before.station.stop('made')
    const after = await atNight(disk, evening + 140 * 60)
    await after.live(100 * 60)

    for (const [name, rig] of Object.entries({ through, asleep, after })) {
      const { seals, lastOfDay } = await sealsOf(rig)
      const over = seals.filter(({ first, last }) => first <= lastOfDay && last >= lastOfDay)
      expect(over, name).toHaveLength(1)
      expect(over[0].isSigned, name).toBe(true)
      // No line is sealed twice.
      for (let n = 1; n < seals.length; n++) expect(seals[n].first, name).toBeGreaterThan(seals[n - 1].last)
    }
  })
})
