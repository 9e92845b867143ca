/** Who is told by a collector, and the store of its own in which it notes what it told: `<archive>/.collector`. */
import { randomBytes } from 'node:crypto'
import { join } from 'node:path'
import { GroupAlerts } from '../collector/collector.js'
import { answerDelivery, type Teller } from '../delivery/delivery.js'
import type { SystemClock } from '../hardware/clock.js'
import { openFolder } from '../hardware/disk.js'
import { systemRandom } from '../hardware/random.js'
import type { FaultBoard } from '../health/health.js'
import { standardOffsetMinutes, type CollectorSettings } from '../settings/settings.js'
import { openStore, type Store } from '../store/store.js'
import { bootWord, good, InFlight, type EventLine, type Outcome } from '../terms/terms.js'
import { deliveryOptions, deliveryPorts, modemPortOf } from './compose-delivery.js'

export interface CollectorAlerts {
  readonly alerts: GroupAlerts
  /** What was noted is on the disk; false where it takes nothing. */
  safe(): Promise<boolean>
  /** What is on its way has ended, and everything is on the disk. */
  end(): Promise<void>
}

/** In the archive: the store of what was told, and what was tried of a PIN. */
export const ownFolder = '.collector'
/** Of what was told, so much is looked at in a start: far more than a year of a troubled group. */
const mostLines = 20_000
const landMillis = 2000

/** Undefined where the settings name nobody. Faults: of the disk. */
export async function openAlerts(
  { group, archive, timeZone, delivery }: CollectorSettings,
  clock: SystemClock,
  board: FaultBoard,
  retired: () => ReadonlySet<string> = () => new Set(),
): Promise<Outcome<CollectorAlerts | undefined>> {
  const parts = { delivery, station: { timeZone }, data: { folder: join(archive, ownFolder) } }
  const options = deliveryOptions(parts, standardOffsetMinutes(parts))
  const telling = deliveryPorts(parts, modemPortOf(parts))
  if (!options || !telling) return good(undefined)
  const disk = await openFolder(parts.data.folder, { create: true })
  if (!disk.ok) return disk
  const newStoreId = (): string => randomBytes(8).toString('hex')
  const store = await openStore({ disk: disk.value, station: 'collector', newStoreId })
  if (!store.ok) return store
  const lines = await eventsIn(store.value)
  if (!lines.ok) return lines
  const works = new InFlight()
  const safe = async (): Promise<boolean> => (await store.value.flush()).ok
  const alerts = new GroupAlerts(
    { group, ...options },
    {
      ...{ storeId: store.value.storeId, ways: telling.ways, random: systemRandom, faults: board },
      ...{ boot: bootWord(clock.bootId), mono: () => clock.mono(), utc: () => clock.utc().at },
      event: (mono, name, details) => {
        const line = {
          kind: 'event',
          boot: bootWord(clock.bootId),
          mono,
          utc: clock.utc().at,
          name,
          details,
        } as const
        return { ...line, seq: store.value.append((seq) => ({ ...line, seq })) }
      },
      safe,
      standing: () => board.list(),
      retired,
      ...(telling.modem ? { modem: telling.modem } : {}),
      track: (work) => works.track(work),
    },
  )
  alerts.restore(lines.value, clock.mono())
  return good({ alerts, safe, end: () => landed(works, store.value) })
}

const atCollector: Teller = { words: 'collector', by: 'at the collector' }

/**
 * Answers `{"do":"alerts"}` by who was told of what, and what a station's delivery is asked; undefined where it is neither.
 * @param told undefined where the settings name nobody
 */
export async function answerTold(
  told: Pick<CollectorAlerts, 'alerts' | 'safe'> | undefined,
  request: unknown,
): Promise<object | undefined> {
  const asked = Object(request) as Record<string, unknown>
  if (asked.do === 'alerts') return { ok: true, ...(told ? standing(told.alerts) : {}) }
  const answer = answerDelivery(told?.alerts, asked, atCollector)
  if (answer) await told?.safe()
  return answer
}

function standing(alerts: GroupAlerts): object {
  const modem = alerts.modemStanding()
  return { delivery: alerts.status(), ...(modem ? { modem } : {}) }
}

async function eventsIn(store: Store): Promise<Outcome<EventLine[]>> {
  const newest = await store.newest(mostLines)
  if (!newest.ok) return newest
  return good(newest.value.flatMap(({ line }) => (line.kind === 'event' ? [line] : [])))
}

async function landed(works: InFlight, store: Store): Promise<void> {
  await Promise.race([works.now(), new Promise((wake) => setTimeout(wake, landMillis).unref())])
  await store.flush()
}
