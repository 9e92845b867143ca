/**
 * Is this station well? Pure: what was seen of it, what is usual in its group, and the time. A living station says what it
 * lacks in its health, so most reasons are its own words; what it cannot know itself (its silence, a clock that is wrong
 * without its knowing, a twin, software unlike the others') is found here.
 */
import { faultCatalogue, utcText, type FaultCode } from '../terms/terms.js'
import { reasonOfAlert, reasonOfFault } from './judge-told.js'
import { silenceReasons } from './judge-silence.js'
import type { Heard, StationSeen } from './seen.js'
import { judgementOf, type Judgement, type Reason } from './standing.js'

export interface JudgeRules {
  readonly lateAfterSeconds: number
  readonly silentAfterSeconds: number
  readonly leastCapturePercent: number
  /** Of the readings between two health messages. */
  readonly mostRefusedPercent: number
  readonly leastDaysToReserve: number
  readonly mostBacklogLines: number
}

export const usualRules: JudgeRules = {
  lateAfterSeconds: 75 * 60,
  silentAfterSeconds: 3 * 3600,
  leastCapturePercent: 75,
  mostRefusedPercent: 25,
  leastDaysToReserve: 3,
  // A day of minutes.
  mostBacklogLines: 1440,
}

/** What is usual among the stations of a group. */
export interface GroupSeen {
  readonly rules: JudgeRules
  /** What more than half of the stations that say it have; absent: no such. */
  readonly software?: string
  readonly settings?: string
  /** Stations of which two stores grow by turns. */
  readonly twins: ReadonlyMap<string, readonly string[]>
  /** Found by others, in the lines say. */
  readonly suspicions?: (station: string) => readonly Reason[]
}

export function judge(seen: StationSeen, group: GroupSeen, now: Heard): Judgement {
  return judgementOf([
    ...silenceReasons(seen, group.rules, now),
    ...toldReasons(seen),
    ...measuredReasons(seen, group.rules),
    ...clockReasons(seen),
    ...identityReasons(seen, group),
    ...unlikeReasons(seen, group),
    ...(group.suspicions?.(seen.station) ?? []),
  ])
}

export function groupOf(all: readonly StationSeen[]): Pick<GroupSeen, 'software' | 'settings'> {
  const software = usual(all.flatMap(({ health }) => health?.software ?? []))
  const settings = usual(all.flatMap(({ health }) => health?.settings ?? []))
  return { ...(software === undefined ? {} : { software }), ...(settings === undefined ? {} : { settings }) }
}

function usual(words: readonly string[]): string | undefined {
  const counts = new Map<string, number>()
  for (const word of words) counts.set(word, (counts.get(word) ?? 0) + 1)
  const [most] = [...counts].sort((a, b) => b[1] - a[1])
  return most && most[1] * 2 > words.length ? most[0] : undefined
}

/** Faults first: they say more than the alert that they raised. */
function toldReasons({ health, healthAt, alerts }: StationSeen): Reason[] {
  const faults = (health?.faults ?? []).flatMap((fault) => reasonOfFault(fault, healthAt?.utc))
  return [...faults, ...[...alerts.values()].flatMap(reasonOfAlert)]
}

const trouble = { state: 'trouble' } as const

function measuredReasons({ health, averages, refusedShares }: StationSeen, rules: JudgeRules): Reason[] {
  const found: Reason[] = []
  const capture = averages?.capturePercent
  if (capture !== undefined && capture < rules.leastCapturePercent)
    found.push({
      ...{
        code: 'data-capture',
        ...trouble,
        words: `${capture} % of the planned time of 24 h were measured`,
      },
      firstThing: 'look what keeps the sensor from measuring: motepost status at the station names it',
    })
  for (const [reason, share] of Object.entries(refusedShares ?? {}))
    if (share * 100 > rules.mostRefusedPercent)
      found.push({
        ...{ code: 'readings-refused', state: 'suspect' as const },
        words: `${Math.round(share * 100)} % of the readings do not count: ${reason}`,
        firstThing: 'look at fan, inlet and supply of the sensor; run a zero check if it goes on',
      })
  return health ? [...found, ...supplyReasons(health, rules)] : found
}

type Health = NonNullable<StationSeen['health']>

function supplyReasons({ daysToReserve, backlogLines, budget, waits }: Health, rules: JudgeRules): Reason[] {
  const found: Reason[] = []
  if (daysToReserve !== undefined && daysToReserve <= rules.leastDaysToReserve)
    found.push({
      ...{ code: 'battery', ...trouble, words: `the battery reaches its reserve in ${daysToReserve} days` },
      firstThing: 'clean the panel of dust or snow; look what draws power',
    })
  if (backlogLines !== undefined && backlogLines > rules.mostBacklogLines)
    found.push({
      ...{ code: 'backlog', ...trouble, words: `${backlogLines} records wait at the station` },
      firstThing: 'look at link and budget; raise uplink.daily_budget_kb where it is used up',
    })
  if (budget && budget.usedKilobytes >= budget.ofKilobytes)
    found.push({
      ...{ code: 'budget', ...trouble },
      words: `the bytes of 24 h are used up: ${budget.usedKilobytes} of ${budget.ofKilobytes} kB${waits === undefined || waits === 'nothing' ? '' : `; ${waits} wait`}`,
      firstThing: faultCatalogue['budget-used' satisfies FaultCode].firstThing,
    })
  return found
}

// ---- what a station cannot know itself ------------------------------------------------------------------------------

/** A message may wait for a link for as long as another one is not due; ahead of us it cannot be. */
const aheadSlackSeconds = 60
const behindSlackSeconds = 300
const longestWaitSeconds = 75 * 60
const offsetsToTrust = 3
/** Waiting delays no two messages alike; a clock does. */
const agreeWithinSeconds = 30

function clockReasons({ clockOffsets, health, healthAt, alive }: StationSeen): Reason[] {
  if (clockOffsets.length === 0 || health?.at === undefined) return []
  const offset = Math.max(...clockOffsets)
  const slack = health.clockErrorSeconds ?? 0
  const isBehind =
    offset < -longestWaitSeconds - slack ||
    (isNoWait(clockOffsets, alive?.everySeconds !== undefined) && offset < -behindSlackSeconds - slack)
  if (offset <= aheadSlackSeconds + slack && !isBehind) return []
  const error = `${spanWords(Math.abs(offset))} ${offset > 0 ? 'ahead' : 'behind'}`
  return [
    {
      ...{ code: 'clock', tell: 'normal' as const },
      ...{ ...trouble, words: `the clock of the station is ${error} and believes itself right` },
      firstThing:
        'set it (status --set-clock); give the station a time source it can check: network time or a clock chip',
      ...(healthAt?.utc === undefined ? {} : { since: utcText(healthAt.utc) }),
    },
  ]
}

/** Two that agree, or the least delayed of several. A modem that rests by its hours may delay two alike. */
function isNoWait(offsets: readonly number[], rests: boolean): boolean {
  if (offsets.length >= offsetsToTrust) return true
  return !rests && offsets.length === 2 && Math.abs(offsets[0] - offsets[1]) <= agreeWithinSeconds
}

export function spanWords(seconds: number): string {
  if (seconds < 120) return `${Math.round(seconds)} s`
  if (seconds < 2 * 3600) return `${Math.round(seconds / 60)} min`
  return seconds < 2 * 86_400 ? `${Math.round(seconds / 3600)} h` : `${Math.round(seconds / 86_400)} days`
}

function identityReasons({ station, conflicts }: StationSeen, { twins }: GroupSeen): Reason[] {
  const found: Reason[] = []
  const stores = twins.get(station)
  if (stores)
    found.push({
      ...{ code: 'two-stores', tell: 'normal' as const },
      ...{ ...trouble, words: `two stores grow by turns: ${stores.join(' and ')}` },
      firstThing: 'look for a cloned card or two stations of one name: give one of them a name of its own',
    })
  if (conflicts > 0)
    found.push({
      ...{ code: 'cloned', tell: 'normal' as const },
      ...{ ...trouble, words: `${conflicts} lines came with numbers that other lines have` },
      firstThing:
        'look for a cloned card or a folder copied back; conflicts.txt of the archive holds the lines',
    })
  return found
}

function unlikeReasons({ health }: StationSeen, group: GroupSeen): Reason[] {
  const found: Reason[] = []
  if (group.software !== undefined && health?.software !== undefined && health.software !== group.software)
    found.push({
      ...{ code: 'software-differs', state: 'suspect' as const },
      words: `software ${health.software}, most of the group have ${group.software}`,
      firstThing: 'bring it to the version of the others, or say in the site log why not',
    })
  if (group.settings !== undefined && health?.settings !== undefined && health.settings !== group.settings)
    found.push({
      ...{ code: 'settings-differ', state: 'suspect' as const },
      words: `its measuring is set otherwise than that of most of the group (${health.settings}, not ${group.settings})`,
      firstThing: 'compare instruments, screening and alerts of the two settings files',
    })
  return found
}
