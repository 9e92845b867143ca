/** Field cases of alerts: a whole station in made time, with one person whose telephone keeps what it was sent. */
import { describe, expect, it } from 'vitest'
import { troubleChoices, type AlertRule } from '../../agent/alerts/alerts.js'
import { usualDelivery } from '../../agent/delivery/delivery.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationOptions } from '../../agent/station/station.js'
import { good, type EventLine, type MessageWay } from '../../agent/terms/terms.js'
import { newClock, startRig, ToldSensor, type Rig } from '../support/station-rig.js'

const minute = 60
const hour = 3600

const rule: AlertRule = {
  rule: 'dust',
  channel: 'pm2_5',
  average: '1-min',
  direction: 'above',
  level: 100,
  backAt: 90,
  onDelaySeconds: 0,
  offDelaySeconds: 20 * minute,
  leastDataCapture: 0.75,
  priority: 'high',
}

const telling: StationOptions['telling'] = {
  delivery: {
    ...usualDelivery,
    recipients: [
      {
        alias: 'warden',
        ways: [{ way: 'sms', to: '+10005550100', nextAfterSeconds: 600 }],
        least: 'low',
        dailyLine: [],
        mostSmsADay: 10,
        mayAnswer: true,
      },
    ],
  },
  place: { standardOffsetMinutes: 60 },
}

interface Life {
  readonly rig: Rig
  readonly sensor: ToldSensor
  readonly told: string[]
}

async function live(pm2_5: (at: number) => number, options: Partial<StationOptions> = {}): Promise<Life> {
  const clock = newClock()
  const sensor = new ToldSensor(clock, { pm2_5 })
  const told: string[] = []
  const sms: MessageWay = {
    name: 'sms',
    send: ({ text }) => {
      told.push(text)
      return Promise.resolve(good({ parts: 1, words: 'taken' }))
    },
  }
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor }],
    options: { rules: [rule], telling, ...options },
    ports: () => ({ telling: { ways: new Map([['sms', sms]]), random: { next: () => 0 } } }),
  })
  return { rig, sensor, told }
}

const changes = async (rig: Rig): Promise<string[]> =>
  (await rig.lines())
    .filter((line): line is EventLine => line.kind === 'event' && line.name === 'alert')
    .map(({ details }) => `${details.rule} ${details.state}`)

/** A minute above, a minute below, from half an hour on for three hours; then clean air. */
const trembling = (at: number): number => {
  if (at < 0.5 * hour || at >= 3.5 * hour) return 20
  return Math.floor(at / minute) % 2 === 0 ? 101 : 99
}

describe('alerts [virtual]', () => {
  it('PC-68 a value that trembles about its level for three hours is told once, and once when it is over', async () => {
    const { rig, told } = await live(trembling)
    await rig.live(3.5 * hour)
    expect([await changes(rig), told.length]).toEqual([['dust raised'], 1])
    await rig.live(5 * hour)
    expect(await changes(rig)).toEqual(['dust raised', 'dust normal'])
    expect(told).toEqual([
      expect.stringMatching(/PM2\.5 1-min mean 10[01]\.\d\d ug\/m3 uncorrected, above 100 since 01:3\d/),
      expect.stringMatching(/PM2\.5 back below 90 since 04:[23]\d/),
    ])
  })

  it('PC-68 a rule without room between its levels is told to come and go, and then no more until it stands still', async () => {
    const { rig, told } = await live(trembling, { rules: [{ ...rule, backAt: 100, offDelaySeconds: 0 }] })
    await rig.live(3.5 * hour)
    expect((await changes(rig)).length).toBeGreaterThan(50)
    expect(told.length).toBeLessThanOrEqual(2 * usualDelivery.chattersAfter)
    expect(told.filter((text) => /told no more|Comes and goes/.test(text))).toHaveLength(1)
    const before = told.length
    await rig.live(8 * hour)
    expect(told.slice(before)).toEqual([expect.stringMatching(/back below 100/)])
  })

  it('PC-69 an alert whose sensor is pulled out stays, the loss is told, and only values that hold end it', async () => {
    const { rig, sensor, told } = await live((at) => (at < 1.5 * hour ? 150 : 20), {
      troubles: troubleChoices([], []),
    })
    await rig.live(hour)
    expect(await changes(rig)).toEqual(['dust raised'])
    sensor.gone = true
    await rig.live(3 * hour)
    expect(await changes(rig)).toEqual(['dust raised', 'no-data raised'])
    expect((await rig.station.status()).alerts[0]).toMatchObject({ state: 'unknown', was: 'raised' })
    expect(told).toEqual([
      expect.stringContaining('above 100'),
      expect.stringContaining('no data from the sensor'),
    ])
    sensor.gone = false
    await rig.live(3 * hour + 15 * minute)
    expect(await changes(rig)).toEqual(['dust raised', 'no-data raised', 'no-data normal'])
    await rig.live(4 * hour)
    expect(await changes(rig)).toEqual(['dust raised', 'no-data raised', 'no-data normal', 'dust normal'])
    expect(told.slice(2)).toEqual([
      expect.stringMatching(/over since .*no data from the sensor/),
      expect.stringMatching(/PM2\.5 back below 90 since 04:/),
    ])
  })
})
