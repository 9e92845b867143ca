/** `motepost stations status`: how every station of a group stands, as the collector sees it. */
import { join } from 'node:path'
import type { Fault } from '../terms/terms.js'
import { lineWidth } from './averages-table.js'
import { askCollectorOf, collectorFaultText } from './collector-words.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
import { folded } from './plain-text.js'
import { readTextFile } from './read-text.js'
import { registeredNames } from './register-file.js'
import { readCollectorStatus, type CollectorStatus, type StandingReason } from './stations-status-shape.js'
import { stateShapes, stationsText, worstFirst } from './stations-status-words.js'
import { watchScreen } from './watch-screen.js'

export interface StationsStatusOptions {
  readonly archive: string
  readonly json?: boolean
  readonly watch?: boolean
  /** Seconds between two looks. */
  readonly every?: number
  /** Stations to show; absent: all. */
  readonly station?: readonly string[]
}

/** Of one look. */
interface Found {
  readonly status: CollectorStatus
  /** Words where no collector answered, and the file that one left told. */
  readonly left?: string
  /** False where this user may not ask: one may well run. */
  readonly mayAsk?: boolean
}

const usualEverySeconds = 10

/** Exit codes: 0 all are well, 1 some are not or nobody can tell, 2 wrong use. With --watch always 0. */
export async function stationsStatus(options: StationsStatusOptions): Promise<number> {
  if (options.watch) return watch(options)
  const found = await look(options)
  if (!found.ok) return refuse(found)
  await say(shown(found.value, options).join('\n'))
  const { left, status } = found.value
  const allWell = status.faults.length === 0 && status.stations.every(({ state }) => state === 'well')
  return left === undefined && allWell ? 0 : 1
}

/** A running collector knows best; of one that ended the file says how things stood. */
async function look({ archive, station }: StationsStatusOptions): Promise<Opened<Found>> {
  const asked = await askCollectorOf(archive, { do: 'status' })
  const live = asked.ok ? readCollectorStatus(asked.value) : undefined
  const found = live ? { status: live } : leftBehind(archive, asked.ok ? undefined : asked.fault)
  if ('words' in found) return found
  const unknown = station?.find((name) => !found.status.stations.some((one) => one.station === name))
  if (unknown !== undefined) return wrongUse(unknownStation(unknown, found.status))
  const wanted = found.status.stations.filter((one) => !station || station.includes(one.station))
  return { ok: true, value: { ...found, status: { ...found.status, stations: wanted } } }
}

/** More names are not read by anybody. */
const mostNames = 10

function unknownStation(name: string, { stations }: CollectorStatus): string {
  const names = stations.map((one) => one.station).sort()
  const more = names.length - mostNames
  const list = [...names.slice(0, mostNames), ...(more > 0 ? [`and ${more} more`] : [])].join(', ')
  return folded(`no station '${name}' was heard; there are ${list || 'none'}`, lineWidth(), 2)
}

function leftBehind(archive: string, why: Fault | undefined): Found | Extract<Opened<never>, { ok: false }> {
  const file = join(archive, 'status.json')
  const text = readTextFile(file, largestStatusBytes)
  const status = text.ok ? readCollectorStatus(jsonIn(text.value)) : undefined
  const unasked = why
    ? collectorFaultText(why, archive)
    : 'What answers at this archive is no collector of this version. Look what runs there.'
  if (status)
    return {
      status,
      left: `${unasked} Below: how things stood when a collector wrote it down.`,
      mayAsk: why?.code !== 'control-denied',
    }
  const words = `${unasked} Nor is there a status.json in ${archive} that can be read.`
  return { ok: false, code: 1, words: folded(words, lineWidth(), 2) }
}

/** Ten thousand stations with some reasons each. */
const largestStatusBytes = 16 << 20

function jsonIn(text: string): unknown {
  try {
    return JSON.parse(text) as unknown
  } catch {
    return undefined
  }
}

function shown({ status, left, mayAsk = true }: Found, options: StationsStatusOptions): string[] {
  if (options.json) return [statusJson(status, mayAsk ? left === undefined : undefined)]
  return stationsText(status, {
    now: Date.now(),
    width: lineWidth(),
    names: registeredNames(options.archive),
    ...(left === undefined ? {} : { left }),
  })
}

/** The same facts, units at the end of the names. @param collectorRuns undefined: nobody can tell */
export function statusJson(status: CollectorStatus, collectorRuns: boolean | undefined): string {
  const { at, group, packs, reports, refusedLately, lines, postgres, stations, faults } = status
  return JSON.stringify({
    v: 1,
    at: at ?? null,
    group: group ?? null,
    collector_runs: collectorRuns ?? null,
    stations: worstFirst(stations).map(standingJson),
    ...(packs ? { packs } : {}),
    ...(reports ? { reports } : {}),
    refused_lately: refusedLately,
    ...(lines ? { lines } : {}),
    ...(postgres ? { postgres: postgresJson(postgres) } : {}),
    ...(faults.length > 0 ? { faults: faults.map(reasonJson) } : {}),
  })
}

const postgresJson = ({ state, storesWaiting, behindSeconds }: NonNullable<CollectorStatus['postgres']>) => ({
  ...{ state, stores_waiting: storesWaiting, behind_s: behindSeconds },
})

export const standingJson = (one: CollectorStatus['stations'][number]): Record<string, unknown> => ({
  station: one.station,
  state: one.state,
  shape: stateShapes[one.state],
  reasons: one.reasons.map(reasonJson),
  heard_at: one.heardAt ?? null,
  health_at: one.healthAt ?? null,
  capture_percent: one.capturePercent ?? null,
  charge_percent: one.chargePercent ?? null,
  days_to_reserve: one.daysToReserve ?? null,
  plan: one.plan ?? null,
  budget_percent: one.budgetPercent ?? null,
  clock_error_s: one.clockErrorSeconds ?? null,
  clock_offset_s: one.clockOffsetSeconds ?? null,
  backlog_lines: one.backlogLines ?? null,
  stores: one.stores,
  software: one.software ?? null,
  refused: one.refused,
})

const reasonJson = ({ code, words, firstThing, since }: StandingReason): Record<string, string> => ({
  ...{ code, words },
  ...(firstThing === undefined ? {} : { first_thing: firstThing }),
  ...(since === undefined ? {} : { since }),
})

async function watch(options: StationsStatusOptions): Promise<number> {
  return watchScreen({
    everySeconds: options.every ?? usualEverySeconds,
    inPlace: !options.json,
    lines: async () => {
      const found = await look(options)
      return found.ok ? shown(found.value, options) : found.words.split('\n')
    },
  })
}
