/** `motepost stations status`: how every station of a group stands, as the collector sees it. */
import { join } from 'node:path'
import { askControl } from '../hardware/control-socket.js'
import { faultText } from '../terms/terms.js'
import { lineWidth } from './averages-table.js'
import { refuse, say, wrongUse, type Opened } from './desk.js'
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
  const asked = await askControl(join(archive, '.control.sock'), { do: 'status' })
  const live = asked.ok ? readCollectorStatus(asked.value) : undefined
  const found = live ? { status: live } : leftBehind(archive, asked.ok ? undefined : faultText(asked.fault))
  if ('words' in found) return found
  const unknown = station?.find((name) => !found.status.stations.some((one) => one.station === name))
  if (unknown !== undefined) return wrongUse(unknownStation(unknown, found.status))
  const wanted = found.status.stations.filter((one) => !station || station.includes(one.station))
  return { ok: true, value: { ...found, status: { ...found.status, stations: wanted } } }
}

const unknownStation = (name: string, { stations }: CollectorStatus): string =>
  `no station '${name}' was heard; there are ${stations.map((one) => one.station).join(', ') || 'none'}`

function leftBehind(archive: string, why: string | undefined): Found | Extract<Opened<never>, { ok: false }> {
  const file = join(archive, 'status.json')
  const text = readTextFile(file, largestStatusBytes)
  const status = text.ok ? readCollectorStatus(jsonIn(text.value)) : undefined
  if (status)
    return {
      status,
      left: 'No collector answers at this archive: so things stood when one wrote it down. Start motepost collect.',
    }
  return {
    ok: false,
    code: 1,
    words: `${archive}: no collector answers, and there is no status.json that one left${why === undefined ? '' : ` (${why})`}`,
  }
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

function shown({ status, left }: Found, options: StationsStatusOptions): string[] {
  if (options.json) return [statusJson(status, left === undefined)]
  return stationsText(status, {
    now: Date.now(),
    width: lineWidth(),
    names: registeredNames(options.archive),
    ...(left === undefined ? {} : { left }),
  })
}

/** The same facts, units at the end of the names. */
export function statusJson(status: CollectorStatus, collectorRuns: boolean): string {
  const { at, group, packs, lines, postgres, stations, faults } = status
  return JSON.stringify({
    v: 1,
    at: at ?? null,
    group: group ?? null,
    collector_runs: collectorRuns,
    stations: worstFirst(stations).map(standingJson),
    ...(packs ? { packs } : {}),
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
  clock_error_s: one.clockErrorSeconds ?? null,
  backlog_lines: one.backlogLines ?? null,
  stores: one.stores,
  software: one.software ?? null,
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
      return found.ok ? shown(found.value, options) : [found.words]
    },
  })
}
