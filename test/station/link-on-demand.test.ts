import { describe, expect, it } from 'vitest'
import type { Priority } from '../../agent/delivery/delivery.js'
import { FaultBoard } from '../../agent/health/health.js'
import type { SamplingStep } from '../../agent/power/power.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { mostLinkSeconds } from '../../agent/station/link-on-demand.js'
import { ModemHours } from '../../agent/station/modem-hours.js'
import type { StationPorts } from '../../agent/station/station.js'
import { bad, done, good, monoSeconds, utcMillis, type MessageWay } from '../../agent/terms/terms.js'
import { dustRule, energyOf, tellingOne } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const minute = 60
const hour = 3600
/** Ten minutes at midnight and at noon, UTC. */
const hours = { everyMinutes: 720, onMinutes: 10, fromHours: 0, toHours: 0, standardOffsetMinutes: 0 }

type Uplink = ReturnType<NonNullable<StationPorts['makeUplink']>>

const telling = tellingOne('email', 'office@example.org', 0, { alias: 'office', mayAnswer: false })

interface Life {
  readonly rig: Rig
  /** Minute and state of each switching of the modem's supply. */
  readonly switched: readonly (readonly [number, 'on' | 'off'])[]
  /** Seconds at which a mail was tried. */
  readonly tried: readonly number[]
}

interface Given {
  readonly priority: Priority
  readonly mailFails?: boolean
  /** Of the day's bytes, kB. */
  readonly spent?: number
  readonly pm2_5?: (at: number) => number
  /** The sampling plan, fixed. */
  readonly plan?: SamplingStep
}

/** Dust from two hours after midnight on, unless told otherwise. */
async function live({ priority, mailFails = false, spent = 0, pm2_5, plan }: Given): Promise<Life> {
  const clock = newClock()
  const switched: [number, 'on' | 'off'][] = []
  const tried: number[] = []
  const modem = {
    name: 'modem',
    set: (on: boolean) => {
      switched.push([Math.round(clock.mono() / minute), on ? 'on' : 'off'])
      return Promise.resolve(done)
    },
  }
  const mail: MessageWay = {
    name: 'email',
    send: () => {
      tried.push(Math.round(clock.mono()))
      return Promise.resolve(mailFails ? bad('mail-silent', 'made') : good({ parts: 1, words: 'taken' }))
    },
  }
  const uplink = new Proxy({} as Uplink, {
    get: (_, name) => {
      if (name === 'busy') return false
      if (name === 'settled' || name === 'stop') return () => Promise.resolve()
      return () => ({ budget: { budget_kb: 100, last_24_h_kb: spent } })
    },
  })
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: pm2_5 ?? ((at) => (at > 2 * hour ? 80 : 10)) }) }],
    ...(plan ? { gauge: new ToldGauge({ battery_voltage: 13.3, battery_current: 0 }) } : {}),
    options: {
      modem: hours,
      ...(plan ? { energy: energyOf(plan, { load: { modemWatts: 2 } }) } : {}),
      telling,
      rules: [{ ...dustRule, priority }],
    },
    ports: () => ({
      modem,
      makeUplink: () => uplink,
      telling: { ways: new Map([['email', mail]]), random: { next: () => 0 } },
    }),
  })
  return { rig, switched, tried }
}

/** Minutes that the modem was on between two minutes. */
function minutesOn({ switched }: Life, from: number, to: number): number {
  let [on, sum] = [0, 0]
  for (const [at, state] of [...switched, [to, 'off'] as const]) {
    const end = Math.min(at, to)
    if (on > 0 && state === 'off') sum += Math.max(0, end - Math.max(on, from))
    on = state === 'on' ? at : 0
  }
  return sum
}

describe('the link on demand', () => {
  it.each(['normal', 'high'] as const)(
    'comes on for an alert of %s priority outside its hours, is used once it is up, and goes off after ten minutes',
    async (priority) => {
      const life = await live({ priority })
      await life.rig.live(4 * hour)
      expect(life.switched.slice(-2)).toEqual([
        [121, 'on'],
        [131, 'off'],
      ])
      expect(life.tried).toHaveLength(1)
      const [at] = life.tried
      expect(at - 121 * minute).toBeGreaterThanOrEqual(30)
      expect(at - 121 * minute).toBeLessThan(120)
    },
  )

  it('stays off for an alert of low priority, which goes when the hours come', async () => {
    const life = await live({ priority: 'low' })
    await life.rig.live(11.9 * hour)
    expect(life.tried).toEqual([])
    expect(life.switched.filter(([at, state]) => state === 'on' && at > 10)).toEqual([])
    const waiting = (await life.rig.station.status()).delivery?.recipients[0].waiting
    expect(waiting).toMatchObject([{ rule: 'dust', because: 'there is no link now' }])
    await life.rig.live(12.2 * hour)
    expect(life.tried).toHaveLength(1)
    expect(life.tried[0]).toBeGreaterThan(12 * hour)
  })

  it('is an hour a day at most, however often the mail fails, and what waits goes in its hours', async () => {
    const life = await live({ priority: 'high', mailFails: true })
    await life.rig.live(11.9 * hour)
    expect(minutesOn(life, 100, 714)).toBeGreaterThan(40)
    // Six stretches of ten minutes, each of which ends with the next look at the clock.
    expect(minutesOn(life, 100, 714)).toBeLessThanOrEqual(66)
    const before = life.tried.length
    expect(before).toBeGreaterThan(2)
    await life.rig.live(12.5 * hour)
    expect(life.tried.length).toBeGreaterThan(before)
    expect(life.tried.slice(before).every((at) => at >= 12 * hour && at <= 12 * hour + 11 * minute)).toBe(
      true,
    )
  })

  it.each([
    ['5-of-15', 3],
    ['5-of-60', 2],
  ] as const)(
    'is shorter while the plan saves at the sensor: at %s %i stretches of ten minutes',
    async (plan, most) => {
      const life = await live({ priority: 'normal', mailFails: true, plan, pm2_5: () => 80 })
      await life.rig.live(11.9 * hour)
      expect(minutesOn(life, 11, 714)).toBeGreaterThan(10 * (most - 1))
      expect(minutesOn(life, 11, 714)).toBeLessThanOrEqual(11 * most)
    },
  )

  it('is for alerts of high priority alone at the heartbeat, ten minutes a day', () => {
    expect(['low', 'normal', 'high'].map((one) => mostLinkSeconds(one as Priority, 'heartbeat'))).toEqual([
      0, 0, 600,
    ])
    expect(['low', 'normal', 'high'].map((one) => mostLinkSeconds(one as Priority))).toEqual([0, 3600, 3600])
  })

  it('is not raised when the bytes of the day are used up', async () => {
    const life = await live({ priority: 'high', spent: 100 })
    await life.rig.live(11.9 * hour)
    expect([minutesOn(life, 11, 714), life.tried]).toEqual([0, []])
    await life.rig.live(12.5 * hour)
    expect(life.tried).toHaveLength(1)
  })

  it('is not raised while the battery must recover, and counts each day anew', () => {
    const faults = new FaultBoard(() => undefined)
    const utcAt = (at: number) => utcMillis(startUtc + at * 1000)
    const modem = new ModemHours(hours, undefined, faults, utcAt, () => undefined)
    const at = (seconds: number) => monoSeconds(seconds)
    modem.mayConnect(at(hour), true)
    modem.want(at(hour), hour)
    expect(modem.isUp(at(hour))).toBe(false)
    modem.mayConnect(at(hour + 60), false)
    for (let n = 0; n < 12; n++) modem.want(at(2 * hour + n * 600), hour)
    expect(modem.mayConnect(at(2 * hour + 5 * 600 + 599), false)).toBe(true)
    expect(modem.mayConnect(at(2 * hour + 6 * 600 + 1), false)).toBe(false)
    modem.want(at(25 * hour), hour)
    expect(modem.isUp(at(25 * hour))).toBe(false)
    modem.want(at(26 * hour + 1), hour)
    expect(modem.isUp(at(26 * hour + 1))).toBe(true)
  })
})
