/** What stations say of themselves beside their lines: health, alive, averages, alerts. Bounded, and never believed to be whole. */
import {
  factsIn,
  known,
  listIn,
  numberIn,
  parseUtc,
  readBoundedJson,
  textIn,
  type Facts,
  type UtcMillis,
} from '../terms/terms.js'
import { topicOf } from '../uplink/uplink.js'

export interface HealthReport {
  /** The station's own clock when it wrote this; absent: it does not trust its clock. */
  readonly at?: UtcMillis
  readonly boot?: string
  readonly session?: number
  readonly monoSeconds?: number
  readonly faults: readonly { readonly code: string; readonly detail: string; readonly forSeconds: number }[]
  readonly clockErrorSeconds?: number
  readonly backlogLines?: number
  readonly waits?: string
  readonly budget?: { readonly usedKilobytes: number; readonly ofKilobytes: number }
  readonly chargePercent?: number
  readonly daysToReserve?: number
  readonly plan?: string
  readonly storeId?: string
  readonly software?: string
  /** Fingerprint of what should be alike in a group. */
  readonly settings?: string
  /** Readings since the start of the agent, over all instruments. */
  readonly readings?: { readonly taken: number; readonly refused: Readonly<Record<string, number>> }
}

export interface AliveReport {
  readonly state: 'running' | 'stopped' | 'lost'
  readonly boot?: string
  readonly session?: number
  readonly nextContactSeconds?: number
  /** How often it speaks otherwise, where the next contact is further away than that. */
  readonly everySeconds?: number
}

export interface AveragesReport {
  /** Lowest of the 24-hour means of all channels. */
  readonly capturePercent?: number
}

export interface AlertReport {
  readonly rule: string
  readonly state: string
  readonly at?: string
}

export type Report =
  | { readonly kind: 'health'; readonly health: HealthReport }
  | { readonly kind: 'alive'; readonly alive: AliveReport }
  | { readonly kind: 'averages'; readonly averages: AveragesReport }
  | { readonly kind: 'alert'; readonly alert: AlertReport }

export type ReportRead =
  | { readonly ok: true; readonly station: string; readonly report: Report }
  /** The station only where the topic names one. */
  | { readonly ok: false; readonly reason: string; readonly station?: string }

export const reportLimits = { bytes: 65_536, depth: 8, items: 4000 } as const

const stationName = /^[a-z0-9][a-z0-9-]{0,31}$/
const ruleName = /^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/
const mostFaults = 64
/** No station rests longer; a promise that nobody could wait for is none. */
const longestPromiseSeconds = 7 * 86_400
/** No board runs longer without a start: times that are reckoned from such ages stay times. */
const longestAgeSeconds = 100 * 366 * 86_400

/** The filters under which a group's reports come. */
export const reportsOfGroup = (group: string): string[] =>
  ['health', 'alive', 'averages', 'alerts/+'].map((what) => topicOf(group, '+', what))

/** Refused: names that are none, payloads beyond `reportLimits` or of another form, unknown states. Never throws. */
export function readReport(topic: string, payload: Uint8Array, group: string): ReportRead {
  const [station = '', what = '', rule, ...more] = topic.slice(topicOf(group, '', '').length - 1).split('/')
  if (!topic.startsWith(topicOf(group, '', '').slice(0, -1)) || !stationName.test(station))
    return { ok: false, reason: 'wrong-name' }
  if (
    more.length > 0 ||
    (what === 'alerts') !== (rule !== undefined) ||
    (rule !== undefined && !ruleName.test(rule))
  )
    return { ok: false, reason: 'wrong-topic', station }
  const read = readBoundedJson(payload, reportLimits)
  if (!read.ok) return { ...read, station }
  const report = read.facts.v === 1 ? reportOf(what, rule, read.facts) : undefined
  return report ? { ok: true, station, report } : { ok: false, reason: 'not-understood', station }
}

function reportOf(what: string, rule: string | undefined, facts: Facts): Report | undefined {
  if (what === 'health') return { kind: 'health', health: healthOf(facts) }
  if (what === 'averages') return { kind: 'averages', averages: averagesOf(facts) }
  if (what === 'alerts') return alertOf(rule!, facts)
  return what === 'alive' ? aliveOf(facts) : undefined
}

const aliveStates = ['running', 'stopped', 'lost'] as const

function aliveOf(facts: Facts): Report | undefined {
  const state = aliveStates.find((word) => word === facts.state)
  if (!state) return undefined
  const nextContactSeconds = numberIn(facts.next_contact_s, 0, longestPromiseSeconds)
  const everySeconds = numberIn(facts.every_s, 0, longestPromiseSeconds)
  return {
    kind: 'alive',
    alive: {
      state,
      ...known({ ...life(facts), nextContactSeconds, everySeconds }),
    },
  }
}

function alertOf(rule: string, facts: Facts): Report | undefined {
  const state = textIn(facts.state)
  if (state === undefined) return undefined
  return { kind: 'alert', alert: { rule, state, ...known({ at: utcIn(facts.at) && textIn(facts.at) }) } }
}

function averagesOf({ channels }: Facts): AveragesReport {
  const captures = Object.values(factsIn(channels))
    .slice(0, mostFaults)
    .flatMap((one) => numberIn(factsIn(factsIn(one)['24-h']).data_capture_percent, 0, 100) ?? [])
  return captures.length === 0 ? {} : { capturePercent: Math.min(...captures) }
}

// ---- health ---------------------------------------------------------------------------------------------------------

function healthOf(facts: Facts): HealthReport {
  const uplink = factsIn(facts.uplink)
  const energy = factsIn(facts.energy)
  return {
    faults: listIn(facts.faults, mostFaults).flatMap(faultOf),
    ...known({
      ...life(facts),
      at: utcIn(facts.at),
      monoSeconds: numberIn(facts.mono_s, 0, longestAgeSeconds),
      clockErrorSeconds: numberIn(facts.clock_error_s, 0),
      backlogLines: numberIn(uplink.backlog, 0),
      waits: textIn(uplink.waits),
      budget: budgetOf(factsIn(uplink.budget)),
      chargePercent: numberIn(energy.state_of_charge, 0, 100),
      daysToReserve: numberIn(factsIn(energy.days_to_reserve).normal),
      plan: textIn(energy.plan),
      storeId: textIn(factsIn(facts.store).id),
      software: textIn(facts.software),
      settings: textIn(facts.settings),
      readings: readingsOf(facts.instruments),
    }),
  }
}

const life = (facts: Facts) => ({ boot: textIn(facts.boot), session: numberIn(facts.session) })

const utcIn = (value: unknown): UtcMillis | undefined =>
  typeof value === 'string' ? parseUtc(value) : undefined

function faultOf(value: unknown): HealthReport['faults'] {
  const { code, detail, for_s: forSeconds } = factsIn(value)
  const name = textIn(code)
  if (name === undefined) return []
  return [
    { code: name, detail: textIn(detail) ?? '', forSeconds: numberIn(forSeconds, 0, longestAgeSeconds) ?? 0 },
  ]
}

function budgetOf({ last_24_h_kb: used, budget_kb: of }: Facts): HealthReport['budget'] {
  const [usedKilobytes, ofKilobytes] = [numberIn(used), numberIn(of)]
  if (usedKilobytes === undefined || ofKilobytes === undefined || ofKilobytes <= 0) return undefined
  return { usedKilobytes, ofKilobytes }
}

function readingsOf(instruments: unknown): HealthReport['readings'] {
  const all = listIn(instruments, mostFaults).map((one) => factsIn(factsIn(one).screening))
  if (all.length === 0) return undefined
  const refused = new Map<string, number>()
  for (const { refused: reasons } of all)
    for (const [reason, count] of Object.entries(factsIn(reasons)).slice(0, mostFaults))
      if (ruleName.test(reason)) refused.set(reason, (refused.get(reason) ?? 0) + countIn(count))
  const taken = all.reduce((sum, one) => sum + countIn(one.taken), 0)
  return { taken, refused: Object.fromEntries(refused) }
}

/** Sums of it stay whole. */
const countIn = (value: unknown): number => Math.round(numberIn(value, 0, 2 ** 40) ?? 0)
