/** What a collector says of its stations, as JSON: in its status file, over its socket, at its doors. */
import {
  faultCatalogue,
  known,
  utcText,
  type Fault,
  type StageCounts,
  type UtcMillis,
} from '../terms/terms.js'
import { standingShapes, type Reason } from './standing.js'
import type { Judged } from './watch.js'
import type { Heard } from './seen.js'

export interface CollectorView {
  readonly group: string
  readonly now: Heard
  readonly link: string
  readonly packs: StageCounts
  readonly reports: StageCounts
  readonly lines: Readonly<Record<string, number>>
  readonly refusals: readonly (readonly [topic: string, reason: string])[]
  readonly judged: readonly Judged[]
  readonly faults: readonly Fault[]
}

export function statusOf(view: CollectorView): Record<string, unknown> {
  const { group, now, link, packs, reports, lines, refusals, judged, faults } = view
  return {
    v: 1,
    ...known({ at: now.utc === undefined ? undefined : utcText(now.utc) }),
    ...{ group, link, listened_s: Math.round(now.listenedSeconds), packs, lines, reports },
    ...(refusals.length === 0
      ? {}
      : { refused_lately: refusals.map(([topic, reason]) => ({ topic: topic.slice(0, 120), reason })) }),
    // Their details are in the log: this is told to readers, and lies in the archive.
    faults: faults.map(({ code }) => ({
      ...{ code, words: faultCatalogue[code].words, first_thing: faultCatalogue[code].firstThing },
    })),
    stations: [...judged].sort((a, b) => (a.seen.station < b.seen.station ? -1 : 1)).map(stationOf),
  }
}

function stationOf({ seen, judgement }: Judged): Record<string, unknown> {
  const { station, alive, health, averages, heardAt, healthAt, refused, conflicts, stores, alerts } = seen
  const raised = [...alerts.values()].filter(({ state }) => state === 'raised')
  return {
    ...{ station, state: judgement.state, shape: standingShapes[judgement.state] },
    reasons: judgement.reasons.map(reasonOf),
    ...known({
      heard_at: text(heardAt?.utc),
      heard_listened_s: heardAt && Math.round(heardAt.listenedSeconds),
      known_listened_s: heardAt ? undefined : Math.round(seen.firstAt.listenedSeconds),
      health_at: text(healthAt?.utc),
      alive: alive?.state,
      next_contact_s: alive?.nextContactSeconds,
      capture_percent: averages?.capturePercent,
      charge_percent: health?.chargePercent,
      days_to_reserve: health?.daysToReserve,
      plan: health?.plan,
      clock_error_s: health?.clockErrorSeconds,
      // Measured against our own clock: what the station believes of itself stands above.
      clock_offset_s: seen.clockOffsets.length === 0 ? undefined : Math.round(Math.max(...seen.clockOffsets)),
      backlog_lines: health?.backlogLines,
      budget_percent:
        health?.budget && Math.round((100 * health.budget.usedKilobytes) / health.budget.ofKilobytes),
      software: health?.software,
      settings: health?.settings,
      conflicts: conflicts === 0 ? undefined : conflicts,
      refused: Object.keys(refused).length === 0 ? undefined : refused,
      alerts:
        raised.length === 0
          ? undefined
          : raised.map(({ rule, state, at }) => ({ rule, state, ...known({ since: at }) })),
    }),
    stores,
  }
}

const reasonOf = ({ code, words, firstThing, since }: Reason): Record<string, string> => ({
  ...{ code, words, first_thing: firstThing },
  ...known({ since }),
})

const text = (utc: UtcMillis | undefined): string | undefined =>
  utc === undefined ? undefined : utcText(utc)
