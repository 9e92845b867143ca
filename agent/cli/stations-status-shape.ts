/**
 * What a collector says of its stations, as it stands in `status.json` of the archive folder and comes over the control
 * socket. What is not there, or not as it should be, is left out; a file from elsewhere never throws.
 */
import { factsIn, known, listIn, numberIn, parseUtc, textIn, type Facts } from '../terms/terms.js'

/** Worst first: the order in which a person should look. */
export const standingStates = ['silent', 'trouble', 'suspect', 'late', 'well'] as const
export type StandingState = (typeof standingStates)[number]

export interface StandingReason {
  readonly code: string
  readonly words: string
  readonly firstThing?: string
  /** UTC text. */
  readonly since?: string
}

export interface StationStanding {
  readonly station: string
  readonly state: StandingState
  readonly reasons: readonly StandingReason[]
  /** UTC text: the newest message of any kind, and the newest health. */
  readonly heardAt?: string
  readonly healthAt?: string
  readonly capturePercent?: number
  readonly chargePercent?: number
  readonly daysToReserve?: number
  readonly plan?: string
  readonly budgetPercent?: number
  /** What the station states, and what was measured here; positive: ahead. */
  readonly clockErrorSeconds?: number
  readonly clockOffsetSeconds?: number
  readonly backlogLines?: number
  readonly stores: readonly string[]
  readonly software?: string
  /** Packs and messages under its name that were refused, by reason. */
  readonly refused: Readonly<Record<string, number>>
}

interface Counts {
  readonly taken: number
  readonly given: number
  readonly held: number
  readonly refused: Readonly<Record<string, number>>
}

export interface CollectorStatus {
  /** UTC text: when this was so. */
  readonly at?: string
  readonly group?: string
  readonly stations: readonly StationStanding[]
  /** Packs that came, and what became of them. */
  readonly packs?: Counts
  /** The same of all other messages. */
  readonly reports?: Counts
  /** The newest topics of which something was refused, and why; the newest last. */
  readonly refusedLately: readonly { readonly topic: string; readonly reason: string }[]
  readonly lines?: {
    readonly added: number
    readonly doubles: number
    readonly conflicts: number
    readonly refused: number
  }
  /** The database beside the archive, where there is one. */
  readonly postgres?: {
    readonly state: string
    readonly storesWaiting: number
    readonly behindSeconds: number
  }
  /** What is wrong with the collector itself. */
  readonly faults: readonly StandingReason[]
}

const mostStations = 10_000
const mostReasons = 30
const mostRefusals = 20
const reasonName = /^[a-z][a-z0-9-]{0,63}$/
const longestText = 400

/** undefined where this is no status of a collector, or of one that does not judge stations yet. */
export function readCollectorStatus(value: unknown): CollectorStatus | undefined {
  const facts = factsIn(value)
  if (!Array.isArray(facts.stations)) return undefined
  const stations = facts.stations.slice(0, mostStations).flatMap((one) => standingIn(factsIn(one)))
  return {
    ...known({
      at: time(facts.at),
      group: name(facts.group),
      packs: countsIn(facts.packs),
      reports: countsIn(facts.reports),
      lines: linesIn(facts),
      postgres: postgresIn(factsIn(facts.postgres)),
    }),
    stations,
    refusedLately: listIn(facts.refused_lately, mostRefusals).flatMap((one) => refusalIn(factsIn(one))),
    faults: listIn(facts.faults, mostReasons).flatMap((one) => reasonIn(factsIn(one))),
  }
}

function standingIn(facts: Facts): StationStanding[] {
  const station = name(facts.station)
  const state = standingStates.find((word) => word === facts.state)
  if (station === undefined || state === undefined) return []
  const reasons = listIn(facts.reasons, mostReasons).flatMap((one) => reasonIn(factsIn(one)))
  return [
    {
      ...{ station, state, reasons },
      ...known({
        heardAt: time(facts.heard_at),
        healthAt: time(facts.health_at),
        capturePercent: numberIn(facts.capture_percent),
        chargePercent: numberIn(facts.charge_percent),
        daysToReserve: numberIn(facts.days_to_reserve),
        plan: text(facts.plan),
        budgetPercent: numberIn(facts.budget_percent),
        clockErrorSeconds: numberIn(facts.clock_error_s),
        clockOffsetSeconds: numberIn(facts.clock_offset_s),
        backlogLines: numberIn(facts.backlog_lines),
        software: text(facts.software),
      }),
      stores: listIn(facts.stores, mostReasons).flatMap((id) => text(id) ?? []),
      refused: refusedIn(facts.refused),
    },
  ]
}

function reasonIn(facts: Facts): StandingReason[] {
  const code = text(facts.code)
  const words = text(facts.words)
  if (code === undefined || words === undefined) return []
  return [{ code, words, ...known({ firstThing: text(facts.first_thing), since: time(facts.since) }) }]
}

function countsIn(value: unknown): Counts | undefined {
  const { taken, given, held, refused } = factsIn(value)
  if (value === undefined) return undefined
  return {
    ...{ taken: numberIn(taken) ?? 0, given: numberIn(given) ?? 0, held: numberIn(held) ?? 0 },
    refused: refusedIn(refused),
  }
}

function refusedIn(value: unknown): Readonly<Record<string, number>> {
  const reasons = Object.entries(factsIn(value)).filter(([reason]) => reasonName.test(reason))
  return Object.fromEntries(
    reasons.slice(0, mostReasons).map(([reason, count]) => [reason, numberIn(count) ?? 0]),
  )
}

function refusalIn(facts: Facts): CollectorStatus['refusedLately'] {
  const [topic, reason] = [text(facts.topic), text(facts.reason)]
  return topic === undefined || reason === undefined ? [] : [{ topic, reason }]
}

function linesIn({ lines }: Facts): CollectorStatus['lines'] {
  const { added, doubles, conflicts, refused } = factsIn(lines)
  if (lines === undefined) return undefined
  return {
    ...{ added: numberIn(added) ?? 0, doubles: numberIn(doubles) ?? 0 },
    ...{ conflicts: numberIn(conflicts) ?? 0, refused: numberIn(refused) ?? 0 },
  }
}

function postgresIn({ state, stores_waiting, behind_s }: Facts): CollectorStatus['postgres'] {
  const word = text(state)
  const [storesWaiting = 0, behindSeconds = 0] = [numberIn(stores_waiting), numberIn(behind_s)]
  return word === undefined ? undefined : { state: word, storesWaiting, behindSeconds }
}

// ---- one value ------------------------------------------------------------------------------------------------------

const text = (value: unknown): string | undefined => textIn(value, longestText)

/** As in topics and folders. */
const name = (value: unknown): string | undefined =>
  typeof value === 'string' && /^[a-z0-9][a-z0-9-]{0,31}$/.test(value) ? value : undefined

const time = (value: unknown): string | undefined =>
  typeof value === 'string' && parseUtc(value) !== undefined ? value : undefined
