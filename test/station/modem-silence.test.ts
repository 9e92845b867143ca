/**
 * The hours of a modem from the settings to the judgement of a collector: a whole station that rests by them, a broker that
 * notices when its link is gone, and a collector that must neither cry at night nor sleep in the morning. Virtual time.
 */
import { describe, expect, it } from 'vitest'
import { energyOptions } from '../../agent/cli/compose-power.js'
import { uplinkOptions } from '../../agent/cli/compose-uplink.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { readSettings, settingsFaultText, standardOffsetMinutes } from '../../agent/settings/settings.js'
import { done, monoSeconds, type Message } from '../../agent/terms/terms.js'
import { FarEnd } from '../support/far-end.js'
import { newClock, startRig, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

const hour = 3600
/** Between 6 and 20 h of UTC+1, ten minutes of each hour; the story begins at midnight UTC. */
const settingsText = `version: 1
station: { name: rig, group: rig, standard_offset_min: 60 }
instruments: [{ layout: frames-424d-32, port: /dev/none }]
data: { folder: /d }
power:
  battery: { chemistry: lifepo4, capacity_ah: 40, nominal_v: 12.8 }
  modem: { every_min: 60, on_min: 10, from_h: 6, to_h: 20 }
uplink: { mode: mqtt, url: 'mqtt://127.0.0.1' }
`
const opensAt = 5 * hour
const lastOpenAt = 18 * hour

interface Story {
  readonly rig: Rig
  readonly far: FarEnd
  /** What the station said on `alive`, with the time. */
  readonly said: { readonly at: number; readonly alive: Record<string, unknown> }[]
  /** Nothing of the station goes through any more: its modem finds no network. */
  deaf: boolean
}

async function story(change: (message: Message) => Message = (message) => message): Promise<Story> {
  const read = readSettings(settingsText, 'rig.yaml')
  if (!read.ok) throw new Error(read.faults.map(settingsFaultText).join('\n'))
  const { settings } = read
  if (settings.uplink.mode === 'none') throw new Error('no uplink')
  const clock = newClock()
  const far = new FarEnd(uplinkOptions(settings.uplink), { utc: () => clock.utc().at })
  const told: Story = { deaf: false, said: [], far } as unknown as Story
  const { broker } = far
  const publish = broker.publish.bind(broker)
  broker.publish = (message, clientId) => publish(clientId === 'rig' ? change(message) : message, clientId)
  broker.onPublish = ({ topic, payload }) => {
    if (!topic.endsWith('/alive')) return
    const alive = JSON.parse(new TextDecoder().decode(payload)) as Record<string, unknown>
    told.said.push({ at: clock.mono(), alive })
  }
  const modem = {
    name: 'modem',
    set: (on: boolean) => {
      broker.trouble.refuseConnect =
        on && !told.deaf ? undefined : { code: 'broker-unreachable', detail: 'no network' }
      if (!on) broker.cut('rig')
      return Promise.resolve(done)
    },
  }
  await far.step(clock.mono())
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 10 }) }],
    gauge: new ToldGauge({ battery_voltage: 13.3 }),
    options: { readEverySeconds: 10, ...energyOptions(settings, standardOffsetMinutes(settings)) },
    ports: (store) => ({ modem, makeUplink: far.uplinkOf(store, clock.bootId) }),
  })
  return Object.assign(told, { rig })
}

/** Lives on by minutes. @returns each change of what the collector says of silence: time in s, and the state */
async function watched({ rig, far }: Story, until: number): Promise<[number, string][]> {
  const changes: [number, string][] = []
  let before: string | undefined
  for (let now = rig.clock.mono() + 60; now <= until; now += 60) {
    await rig.live(now)
    await far.step(monoSeconds(now))
    // A will waits two minutes for its client at the broker.
    if (now % 600 === 0) far.broker.releaseWills()
    await far.step(monoSeconds(now))
    const [one] = far.collector.judged(monoSeconds(now))
    const word = one?.judgement.reasons.find(({ code }) => /late|silent|lost/.test(code))?.code ?? 'heard'
    if (one && word !== before) changes.push([now, (before = word)])
  }
  return changes
}

describe('a station whose modem rests by its hours', () => {
  it('says each time when it is heard again, and is neither late nor silent nor lost in two days', async () => {
    const one = await story()
    expect((await watched(one, 50 * hour)).map(([, word]) => word)).toEqual(['heard'])
    const running = one.said.filter(({ alive }) => alive.state === 'running')
    // Fourteen times a day, and the whole second day.
    expect(running.slice(0, 14).map(({ at }) => Math.floor(at / hour))).toEqual(
      Array.from({ length: 14 }, (_, i) => 5 + i),
    )
    const promises = running.map(({ alive }) => alive.next_contact_s)
    expect(promises.slice(0, 14)).toEqual([...Array.from({ length: 13 }, () => hour), 11 * hour])
    expect(running.every(({ alive }) => alive.every_s === hour)).toBe(true)
    // What the judgement stands on: its link did break off at each rest.
    expect(one.said.filter(({ alive }) => alive.state === 'lost').length).toBe(running.length)
  })

  it('is late 75 minutes and silent three hours after the hour that it missed, and well once it is back', async () => {
    const one = await story()
    await watched(one, lastOpenAt + 900)
    one.deaf = true
    const missed = 24 * hour + opensAt
    expect(await watched(one, missed + 5 * hour + 1800)).toEqual([
      [lastOpenAt + 960, 'heard'],
      [missed + 75 * 60, 'late'],
      [missed + 3 * hour, 'silent'],
    ])
    one.deaf = false
    expect(await watched(one, missed + 6 * hour + 60)).toContainEqual([missed + 6 * hour, 'heard'])
  })

  it('is late 75 minutes and silent three hours after its last word where it misses the next hour of the day', async () => {
    const one = await story()
    await watched(one, opensAt + 900)
    one.deaf = true
    const changes = await watched(one, opensAt + 4 * hour)
    expect(changes.map(([, word]) => word)).toEqual(['heard', 'late', 'silent'])
    const [, late, silent] = changes.map(([at]) => at)
    // The last pack of a window may go at any of its ten minutes.
    for (const [at, wait] of [
      [late, 75 * 60],
      [silent, 3 * hour],
    ] as const)
      expect([at >= opensAt + wait, at <= opensAt + 600 + wait]).toEqual([true, true])
  })
})

describe('a station that says nothing of its hours', () => {
  const withoutPlan = (message: Message): Message => {
    if (!message.topic.endsWith('/alive')) return message
    const alive: unknown = JSON.parse(new TextDecoder().decode(message.payload))
    const text = JSON.stringify(alive, (key, value: unknown) => (/_s$/.test(key) ? undefined : value))
    return { ...message, payload: new TextEncoder().encode(text) }
  }

  it('is judged by what was heard alone: connection lost in each rest, late after 75 min and silent after three hours of a night', async () => {
    const one = await story(withoutPlan)
    const changes = await watched(one, 24 * hour + opensAt + 60)
    const words = changes.map(([, word]) => word)
    expect(words.slice(0, 4)).toEqual(['heard', 'connection-lost', 'heard', 'connection-lost'])
    expect(words.slice(-4)).toEqual(['connection-lost', 'late', 'silent', 'heard'])
    const [late, silent, back] = changes.slice(-3).map(([at]) => at)
    const heard = late - 75 * 60
    expect([heard >= lastOpenAt, heard <= lastOpenAt + 600]).toEqual([true, true])
    expect([silent - heard, back]).toEqual([3 * hour, 24 * hour + opensAt])
  })
})
