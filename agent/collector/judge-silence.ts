/** Late, silent, lost: what no station can say of itself. */
import { utcText } from '../terms/terms.js'
import type { JudgeRules } from './judge.js'
import { listenedSince, type Heard, type StationSeen } from './seen.js'
import type { Reason } from './standing.js'

/** What a station promised widens the limits: a plan by which it sleeps, hours in which its modem is on. */
const lateShare = 1.25
const silentShare = 3

export function limitsFor(
  seen: StationSeen,
  rules: JudgeRules,
): { lateSeconds: number; silentSeconds: number } {
  const { nextContactSeconds: promised = 0, everySeconds: every } = seen.alive ?? {}
  const limit = (usual: number, share: number): number => {
    // Its modem rests, and then it speaks as often as ever.
    const afterRest = every === undefined ? Infinity : promised + Math.max(usual, (share - 1) * every)
    return Math.max(usual, Math.min(share * promised, afterRest))
  }
  return {
    lateSeconds: limit(rules.lateAfterSeconds, lateShare),
    silentSeconds: limit(rules.silentAfterSeconds, silentShare),
  }
}

export function silenceReasons(seen: StationSeen, rules: JudgeRules, now: Heard): Reason[] {
  const age = listenedSince(seen.heardAt ?? seen.firstAt, now)!
  const { lateSeconds, silentSeconds } = limitsFor(seen, rules)
  const last = lastWord(seen)
  if (age >= silentSeconds)
    return [
      {
        ...{ code: 'silent', state: 'silent', words: `${nothing(seen, age)}${last}`, tell: 'high' },
        ...advice(seen),
        ...since(seen),
      },
    ]
  if (age >= lateSeconds)
    return [
      {
        ...{ code: 'late', state: 'late', words: `${nothing(seen, age)}${promise(seen)}${last}` },
        ...{ firstThing: 'wait for the next contact, then look at link and supply', ...since(seen) },
      },
    ]
  if (!seen.heardAt && !seen.alive && !seen.health)
    return [
      {
        ...{ code: 'late', state: 'late', words: nothing(seen, age) },
        firstThing:
          'if it runs, look whether broker, group and name in its settings are those of this collector',
      },
    ]
  return departed(seen, rules)
}

/** It said something not long ago, and did not take its leave. */
export function isHeard(seen: StationSeen, rules: JudgeRules, now: Heard): boolean {
  const age = listenedSince(seen.heardAt, now)
  return age !== undefined && age < limitsFor(seen, rules).lateSeconds && seen.alive?.state !== 'stopped'
}

/** It said that it ends, or its broker noticed that it is gone. */
function departed(seen: StationSeen, rules: JudgeRules): Reason[] {
  if (seen.alive?.state === 'stopped')
    return [{ code: 'stopped', state: 'late', words: 'it was stopped', ...start, ...since(seen) }]
  if (seen.alive?.state !== 'lost') return []
  // Its modem is off by its hours, and the connection breaks off each time; or it sleeps for longer than a broker waits.
  const { everySeconds, nextContactSeconds = 0 } = seen.alive
  if (everySeconds !== undefined || nextContactSeconds > rules.lateAfterSeconds) return []
  return [
    { code: 'connection-lost', state: 'late', words: 'its connection broke off', ...look, ...since(seen) },
  ]
}

const start = { firstThing: 'start it again if nobody means it to rest: systemctl start motepost' }
const look = { firstThing: 'wait for the next contact; if none comes, look at supply and link' }

function nothing({ heardAt }: StationSeen, age: number): string {
  return `nothing heard ${heardAt ? 'for' : 'yet, for'} ${Math.round(age / 60)} min`
}

function promise({ alive }: StationSeen): string {
  const seconds = alive?.nextContactSeconds
  return seconds === undefined ? '' : `; promised was within ${Math.max(1, Math.round(seconds / 60))} min`
}

function lastWord({ alive }: StationSeen): string {
  if (alive?.state === 'stopped') return '; it was stopped'
  return alive?.state === 'lost' ? '; its connection broke off' : ''
}

function advice({ alive, health }: StationSeen): { firstThing: string } {
  if (alive?.state === 'stopped') return start
  if (health?.daysToReserve !== undefined && health.daysToReserve <= 3)
    return { firstThing: 'the battery was nearly down when it last spoke: look at the panel first' }
  return {
    firstThing: 'ask the modem by phone or provider whether it is on; then go and look at supply and board',
  }
}

const since = ({ heardAt }: StationSeen): { since?: string } =>
  heardAt?.utc === undefined ? {} : { since: utcText(heardAt.utc) }
