import { liveTogether, type Moment } from '../simulation/driver.js'
import { story } from '../simulation/slate-hollow.js'
import {
  addSeconds,
  faultCatalogue,
  good,
  type Clock,
  type FaultCode,
  type Log,
  type Outcome,
} from '../terms/terms.js'
import { setTheScene, type Player, type Scene } from './demo-scene.js'
import { siteOfUtc } from './demo-words.js'

/** What is shown while the story goes on. */
export interface Audience {
  /** @param station absent where it concerns the site */
  tell(siteSeconds: number, words: string, station?: string): void
  /** Once a minute of the story. */
  progress(siteSeconds: number, scene: Scene): void
}

export interface PlayOptions {
  readonly folder: string
  readonly seed: number
  /** Site time at which to stop; the whole story without. */
  readonly until?: number
  readonly audience: Audience
}

/** Real time that the last packs and receipts may take. */
const lastReceiptsSeconds = 20

/**
 * Plays the story in virtual time: real station code, real files and loopback sockets. When it resolves every line is at
 * both ends, or the receipts did not come in time; nothing writes to the folders any more.
 */
export async function play(options: PlayOptions): Promise<Outcome<Scene>> {
  const { audience, until = story.ends } = options
  let isOver = false
  const tell: Audience['tell'] = (...what) => {
    if (!isOver) audience.tell(...what)
  }
  const logOf = (station: string, clock: Clock): Log => storyLog(tell, station, clock)
  const scene = await setTheScene({ ...options, logOf })
  if (!scene.ok) return scene
  const { players } = scene.value
  await liveTogether(players, story.switchedOn, until, [
    ...acts(scene.value, tell),
    ...everyMinute(until, async (at) => {
      await collect(scene.value)
      audience.progress(at, scene.value)
    }),
  ])
  await lastReceipts(scene.value)
  // What is cut off from here on is no part of the story.
  isOver = true
  await scene.value.collector.stop()
  await scene.value.close()
  return good(scene.value)
}

function everyMinute(until: number, act: (at: number) => Promise<void>): Moment[] {
  const count = Math.ceil((until - story.switchedOn) / 60)
  return Array.from({ length: count }, (_, i) => {
    // A little after the minute, when the stations have sent what they had to.
    const at = story.switchedOn + i * 60 + 5
    return [at, () => act(at)]
  })
}

/** Lets sockets bring what was sent, and the collector store it. */
async function collect({ collector, players }: Scene): Promise<void> {
  await new Promise((resolve) => setImmediate(resolve))
  collector.step(players[0].clock.mono())
  await collector.settled()
}

function acts({ players, broker }: Scene, tell: Audience['tell']): Moment[] {
  const { dryRoad, badCable, outage, fog } = story
  const cutOff = named(players, outage.station)
  return [
    [
      story.clockTrusted,
      () => {
        for (const { clock } of players) clock.source = 'ntp'
      },
    ],
    [dryRoad.from, () => tell(dryRoad.from, 'the water cart breaks down: the haul road falls dry')],
    [dryRoad.to, () => tell(dryRoad.to, 'the haul road is watered again')],
    [badCable.from, () => tell(badCable.from, 'a bad contact spoils frames', badCable.station)],
    [badCable.to, () => tell(badCable.to, 'the contact holds again', badCable.station)],
    [
      outage.from,
      async () => {
        tell(outage.from, 'its link goes down', outage.station)
        await cutOff.door.close()
      },
    ],
    [
      outage.to,
      async () => {
        cutOff.door = await broker.openDoor(cutOff.door.port)
        tell(outage.to, 'its link is back', outage.station)
      },
    ],
    [fog.from, () => tell(fog.from, 'fog comes up')],
    [fog.to, () => tell(fog.to, 'the sun breaks through')],
  ]
}

const named = (players: readonly Player[], name: string): Player =>
  players.find(({ made }) => made.plan.name === name)!

/** What a station logs, told as part of the story. */
function storyLog(tell: Audience['tell'], station: string, clock: Clock): Log {
  const say = (words: string, details: Readonly<Record<string, unknown>> = {}): void => {
    const fault = faultCatalogue[details.code as FaultCode]
    let told = (words.startsWith('over: ') || !fault ? words : fault.words).split(';')[0]
    if (words.startsWith('alert ')) told = `ALERT ${words.slice(6)}, PM10 ${details.value} µg/m³`
    tell(siteOfUtc(clock.utc().at), told, station)
  }
  return { info: say, warn: say }
}

/** Sends what is left and waits until the collector has given its receipt for all of it. */
async function lastReceipts(scene: Scene): Promise<void> {
  const { players } = scene
  for (const { station } of players) station.sendNow()
  for (let tries = 0; tries < lastReceiptsSeconds * 50; tries++) {
    for (const { station } of players) await station.settled()
    await collect(scene)
    if (players.every(({ station, store }) => station.safeAway >= store.safeSeq)) return
    await new Promise((resolve) => setTimeout(resolve, 20))
    for (const { clock } of players) clock.set(addSeconds(clock.mono(), 1))
  }
}
