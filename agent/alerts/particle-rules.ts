/** The rules of particles that a station has without being told; levels are those of the settings where they give some. */
import { particleRuleNames, type ParticleRuleName, type WindowName } from '../terms/terms.js'
import type { AlertRule } from './alert.js'

interface ParticleRule {
  readonly words: string
  readonly firstThing: string
  /** Without slot. */
  readonly channel: 'pm10' | 'pm2_5'
  readonly average: WindowName
  /** ug/m3; absent: that of the chosen limit. */
  readonly level?: number
  readonly backAt?: number
  readonly offDelaySeconds: number
  readonly twiceRunning?: boolean
  readonly onceADay?: boolean
  readonly priority: AlertRule['priority']
}

/** 10-min dust and the hour of fine dust: practice of dust plans at sites, no law. */
export const particleRules: Readonly<Record<ParticleRuleName, ParticleRule>> = {
  'pm10-dust': {
    words: 'the 10-min mean of PM10 is 150 ug/m3 or more twice running; over below 120 for 20 min',
    firstThing: 'look for what raises dust upwind; water it or stop it; above 95 % humidity think of fog',
    channel: 'pm10',
    average: '10-min',
    level: 150,
    backAt: 120,
    offDelaySeconds: 1200,
    twiceRunning: true,
    priority: 'high',
  },
  'pm25-hour': {
    words: 'the 1-h mean of PM2.5 is 55 ug/m3 or more; over below 45',
    firstThing: 'look for smoke; who is sensitive stays inside; above 95 % humidity think of fog',
    channel: 'pm2_5',
    average: '1-h',
    level: 55,
    backAt: 45,
    offDelaySeconds: 0,
    priority: 'high',
  },
  'pm10-day': {
    words: 'the PM10 of a day with 18 h or more is above the chosen 24-h limit; looked at once a day',
    firstThing: 'look at the hours of that day: motepost averages',
    channel: 'pm10',
    average: '24-h',
    offDelaySeconds: 0,
    onceADay: true,
    priority: 'normal',
  },
  'pm25-day': {
    words: 'the PM2.5 of a day with 18 h or more is above the chosen 24-h limit; looked at once a day',
    firstThing: 'look at the hours of that day: motepost averages',
    channel: 'pm2_5',
    average: '24-h',
    offDelaySeconds: 0,
    onceADay: true,
    priority: 'normal',
  },
}

/** What settings change of a rule that is built in. */
export interface RuleChange {
  readonly rule: string
  readonly use: boolean
  readonly level?: number
  readonly backAt?: number
  readonly priority?: AlertRule['priority']
}

/** A tenth inside, as for the rules of one's own. */
const deadband = 0.9

/**
 * The rules for the channels of a station, named '<rule>' or '<rule>-<slot>'.
 * @param channels keys with slot; @param own rules of the settings: what they watch is theirs alone
 * @param dayLimits level of the chosen 24-h limit, ug/m3; a channel without one has no rule of the day
 */
export function builtInRules(
  channels: readonly string[],
  own: readonly { readonly rule: string; readonly channel: string }[],
  dayLimits: { readonly pm10?: number; readonly pm2_5?: number },
  changes: readonly RuleChange[],
): AlertRule[] {
  const free = channels.filter((key) => !own.some(({ channel }) => channel === key))
  return particleRuleNames.flatMap((name) => {
    const kind = particleRules[name]
    const change = changes.find(({ rule }) => rule === name)
    const level = change?.level ?? kind.level ?? dayLimits[kind.channel]
    if (level === undefined || change?.use === false) return []
    const keys = free.filter((key) => key.split('.')[0] === kind.channel)
    return keys.map((key) => ruleFor(name, key, level, change))
  })
}

function ruleFor(name: ParticleRuleName, key: string, level: number, change?: RuleChange): AlertRule {
  const { average, offDelaySeconds, twiceRunning, onceADay, ...kind } = particleRules[name]
  const slot = key.split('.')[1]
  const ownLevel = change?.level !== undefined && change.level !== kind.level
  const usualBack = onceADay ? level : ownLevel ? deadband * level : (kind.backAt ?? deadband * level)
  return {
    rule: slot === undefined ? name : `${name}-${slot}`,
    channel: key,
    average,
    direction: 'above',
    level,
    backAt: change?.backAt ?? usualBack,
    onDelaySeconds: 0,
    offDelaySeconds,
    leastDataCapture: 0.75,
    priority: change?.priority ?? kind.priority,
    // A limit of a day is broken above it; the others hold from their level on.
    ...(onceADay ? { onceADay } : { reaching: true }),
    ...(twiceRunning ? { twiceRunning } : {}),
  }
}
