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
import { siteOfUtc, wholeNumbers } from './demo-words.js'

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
  const lookAtBacklog = backlogWatch(named(players, story.outage.station), tell)
  await liveTogether(players, story.switchedOn, until, [
    ...acts(scene.value, tell),
    ...everyMinute(until, async (at) => {
      await collect(scene.value)
      lookAtBacklog(at)
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
  const { dryRoad, badCable, outage, fog, setUp, visit, inletCleaned } = story
  const cutOff = named(players, outage.station)
  const visited = named(players, visit.station)
  const caption = (at: number, words: string, station?: string): Moment => [
    at,
    () => tell(at, words, station),
  ]
  return [
    caption(story.overcast, 'an overcast day: the batteries lose more than they get'),
    caption(story.sun, 'a clear day: the batteries charge'),
    caption(fog.from, 'fog comes up'),
    caption(fog.to, 'the fog lifts'),
    caption(dryRoad.from, 'the water cart breaks down: the haul road falls dry'),
    caption(dryRoad.to, 'the haul road is watered again'),
    [
      story.clockTrusted,
      () => {
        for (const { clock } of players) clock.source = 'ntp'
      },
    ],
    caption(badCable.from, 'a bad contact spoils frames', badCable.station),
    caption(badCable.to, 'the contact holds again', badCable.station),
    ...players.map((player): Moment => [
      setUp,
      () => note(player, { kind: 'set-up', place: player.made.plan.name }),
    ]),
    caption(visit.from, 'somebody comes to clean the inlet and stirs up dust', visit.station),
    [visit.from, () => note(visited, { kind: 'visit-start' })],
    [inletCleaned, () => note(visited, { kind: 'inlet-cleaned', note: 'brushed out, dust on the roof' })],
    [visit.to, () => note(visited, { kind: 'visit-end' })],
    caption(visit.to, 'the visit is over; readings count again ten minutes later', visit.station),
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
  ]
}

/** An entry of the site log, as a person at the station would make it. */
async function note({ station }: Player, entry: Readonly<Record<string, string>>): Promise<void> {
  const answer = await station.addEntry({ who: 'made visitor', ...entry })
  if (!answer.ok) throw new Error(answer.faults.map(({ words }) => words).join('; '))
}

/** Tells once that what waited through the outage is safe away. */
function backlogWatch({ station, store }: Player, tell: Audience['tell']): (at: number) => void {
  let waited = 0
  let upTo = 0
  let isTold = false
  return (at) => {
    if (at < story.outage.to) {
      upTo = store.safeSeq
      waited = upTo - station.safeAway
    } else if (!isTold && station.safeAway >= upTo) {
      isTold = true
      tell(at, `caught up: ${waited} lines more are safe away`, story.outage.station)
    }
  }
}

const named = (players: readonly Player[], name: string): Player =>
  players.find(({ made }) => made.plan.name === name)!

/** What a station logs, told as part of the story. */
function storyLog(tell: Audience['tell'], station: string, clock: Clock): Log {
  const say = (words: string, details: Readonly<Record<string, unknown>> = {}): void => {
    const told = storyWords(words, details)
    if (told !== undefined) tell(siteOfUtc(clock.utc().at), told, station)
  }
  return { info: say, warn: say }
}

/** Shorter than in the log of a station; undefined for what the line before has said. */
function storyWords(words: string, details: Readonly<Record<string, unknown>>): string | undefined {
  if (words === 'clock trusted') return undefined
  if (words.startsWith('alert ')) return `ALERT ${words.slice(6)}, ${wholeNumbers(details.value)}`
  if (words.startsWith('over: ')) return `ended: ${words.slice(6)}`.split(';')[0]
  return (faultCatalogue[details.code as FaultCode]?.words ?? words).split(';')[0]
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
