/** The rules of particles out of the box: each is raised and over through the station, and not by what is no dust. */
import { describe, expect, it } from 'vitest'
import { builtInRules, type RuleChange } from '../../agent/alerts/alerts.js'
import { usualScreening } from '../../agent/screening/screening.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { rulesTold, statesOf, toldOf } from '../support/alert-lines.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

const hour = 3600
const day = 24 * hour
const limits = { pm10: 45, pm2_5: 15 }

/** A station whose sensor tells this PM2.5 every four seconds; its PM10 is a little more. */
function start(
  pm2_5: (at: number) => number,
  changes: readonly RuleChange[] = [],
  screening = usualScreening,
): Promise<Rig> {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5, frameAt: (n) => n * 4 })
  const rules = builtInRules(['pm10', 'pm2_5'], [], limits, changes)
  return startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor, options: { screening } }],
    options: { rules, readEverySeconds: 10 },
  })
}

/** Minutes after the start at which each state was told. */
const minutesOf = async (rig: Rig, rule: string): Promise<number[]> =>
  (await rig.lines()).flatMap((line) =>
    line.kind === 'event' && line.name === 'alert' && line.details.rule === rule
      ? Math.round(line.mono / 60)
      : [],
  )

describe('pm10-dust', () => {
  it('is not raised by one window at the level, and is over only after 20 min below 120', async () => {
    // Ten minutes of dust make one window, not two; later an hour of it.
    const rig = await start((at) => ((at > 1800 && at < 2400) || (at > 7200 && at < 10_800) ? 200 : 20))
    await rig.live(7200)
    expect(await statesOf(rig, 'pm10-dust')).toEqual([])
    await rig.live(5 * hour)
    expect(await statesOf(rig, 'pm10-dust')).toEqual(['raised', 'normal'])
    const [raised, over] = await minutesOf(rig, 'pm10-dust')
    // The second window is beyond before it is full: never before ten minutes of dust, never after twenty.
    expect(raised).toBeGreaterThan(120 + 10)
    expect(raised).toBeLessThanOrEqual(120 + 20)
    expect(over).toBeGreaterThanOrEqual(180 + 20)
    expect(over).toBeLessThanOrEqual(180 + 31)
  })
})

describe('pm25-hour', () => {
  it('is raised from 55 on, stays between 45 and 55, and is over below 45', async () => {
    const rig = await start((at) => (at < 3 * hour ? 55 : at < 6 * hour ? 50 : 30))
    await rig.live(3 * hour)
    expect(await toldOf(rig, 'pm25-hour')).toMatchObject([
      { state: 'raised', priority: 'high', value: '55.00' },
    ])
    await rig.live(6 * hour)
    expect(await statesOf(rig, 'pm25-hour')).toEqual(['raised'])
    await rig.live(8 * hour)
    expect(await statesOf(rig, 'pm25-hour')).toEqual(['raised', 'normal'])
  })
})

describe('pm10-day and pm25-day', () => {
  it('are looked at once, when a day is over, against the limit of the day', async () => {
    const rig = await start((at) => (at < day ? 60 : 10))
    await rig.live(day - 60)
    expect(await rulesTold(rig)).not.toContain('pm10-day')
    await rig.live(2 * day - 60)
    for (const rule of ['pm10-day', 'pm25-day'])
      expect(await toldOf(rig, rule), rule).toMatchObject([{ state: 'raised', priority: 'normal' }])
    await rig.live(2 * day + 120)
    for (const rule of ['pm10-day', 'pm25-day'])
      expect(await statesOf(rig, rule), rule).toEqual(['raised', 'normal'])
    expect((await minutesOf(rig, 'pm10-day')).map((at) => Math.floor(at / 1440))).toEqual([1, 2])
  })

  it('do not judge a day of which less than 18 h were measured', async () => {
    const lived = async (dumbHours: number): Promise<string[]> => {
      const clock = newClock()
      const sensor = new ToldSensor(clock, { pm2_5: () => 60, frameAt: (n) => n * 10 })
      const rules = builtInRules(['pm10'], [], limits, [])
      const rig = await startRig(clock, new MemoryDisk(), {
        instruments: [{ sensor }],
        options: { rules, readEverySeconds: 10 },
      })
      sensor.dumb = true
      await rig.live(dumbHours * hour)
      sensor.dumb = false
      await rig.live(day + 120)
      return rulesTold(rig)
    }
    expect(await lived(6.3)).toEqual([])
    expect(await lived(5.7)).toEqual(['pm10-day'])
  })

  it('are none where no limit of a day is known', () => {
    const names = builtInRules(['pm10.1', 'pm2_5.1'], [], {}, []).map(({ rule }) => rule)
    expect(names).toEqual(['pm10-dust-1', 'pm25-hour-1'])
  })
})

describe('what settings change', () => {
  it('moves the level, and the way back with it', async () => {
    const change = { rule: 'pm25-hour', use: true, level: 100, priority: 'low' } as const
    const rig = await start((at) => (at < 2 * hour ? 95 : at < 4 * hour ? 110 : 85), [change])
    await rig.live(2 * hour)
    expect(await statesOf(rig, 'pm25-hour')).toEqual([])
    await rig.live(4 * hour)
    expect(await toldOf(rig, 'pm25-hour')).toMatchObject([{ state: 'raised', priority: 'low', above: '100' }])
    await rig.live(6 * hour)
    expect(await statesOf(rig, 'pm25-hour')).toEqual(['raised', 'normal'])
  })

  it('leaves out what is off, and what a rule of the own watches', async () => {
    const off = await start(() => 200, [{ rule: 'pm10-dust', use: false }])
    await off.live(2 * hour)
    expect(await rulesTold(off)).toEqual(['pm25-hour'])
    const own = [{ rule: 'mine', channel: 'pm10' }]
    const names = builtInRules(['pm10', 'pm2_5'], own, limits, []).map(({ rule }) => rule)
    expect(names).toEqual(['pm25-hour', 'pm25-day'])
  })
})

describe('nothing is raised', () => {
  it('by the first minutes of a sensor, whatever they say', async () => {
    const slow = { ...usualScreening, warmUpSeconds: 1800, longestWarmUpSeconds: 1800 }
    const toldWith = async (screening: typeof slow): Promise<string[]> => {
      const rig = await start((at) => (at < 1800 ? 400 : 20), [], screening)
      await rig.live(2 * hour)
      return rulesTold(rig)
    }
    expect(await toldWith(slow)).toEqual([])
    expect(await toldWith(usualScreening)).toContain('pm10-dust')
  })

  it('by what somebody stirs up at the station during a visit', async () => {
    const rig = await start((at) => (at > 1800 && at < 5000 ? 400 : 20))
    await rig.live(1770)
    await rig.station.addEntry({ kind: 'visit-start' })
    await rig.live(5000)
    await rig.station.addEntry({ kind: 'visit-end' })
    await rig.live(4 * hour)
    expect(await rulesTold(rig)).toEqual([])
  })
})
