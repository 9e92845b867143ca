import type { DeliveryStatus, ModemStanding } from '../delivery/delivery.js'
import { isMass, kindOf, type MonoSeconds } from '../terms/terms.js'
import {
  clockFacts,
  commandFacts,
  faultFacts,
  modemFacts,
  sealFacts,
  type FaultFacts,
  type StationView,
} from './health-message.js'
import type { CommandStanding } from './command-watch.js'
import type { LiveReading } from './live-reading.js'
import type { HoursOfDay } from './running-averages.js'
import type { SealStanding } from './sealing.js'
import type { SettingsInForce } from './settings-from-afar.js'

/** What `status` shows, as it goes over the control socket: JSON of flat facts, no words that a program must parse. */
export interface StationStatus {
  readonly v: 1
  readonly station: string
  readonly group: string
  readonly boot: string
  readonly running_s: number
  /** Absent while the clock is not trusted. */
  readonly at?: string
  readonly clock_error_s?: number
  /** Who vouches for it, and how long ago a source last agreed. */
  readonly clock_source?: string
  readonly clock_checked_s?: number
  readonly standard_offset_min: number
  readonly state: string
  readonly faults: readonly FaultFacts[]
  readonly live: readonly LiveReading[]
  /** By channel: averages with data capture and sampled share. */
  readonly averages: Readonly<Record<string, unknown>>
  /** By mass channel: hours of the day so far that count; none while the clock is not trusted. */
  readonly day_hours: Readonly<Record<string, HoursOfDay>>
  readonly alerts: readonly Readonly<Record<string, unknown>>[]
  /** Of the station itself, as far as they are raised. */
  readonly troubles: readonly Record<string, unknown>[]
  /** Who is told, what waits to be told, and what was acknowledged and muted; absent where nobody is told. */
  readonly delivery?: DeliveryStatus
  readonly modem?: ModemStanding
  /** Absent where nobody's commands count. */
  readonly commands?: CommandStanding
  readonly settings?: SettingsInForce
  readonly gauges: readonly GaugeFacts[]
  /** Absent where the settings have no block `power`. */
  readonly energy?: Readonly<Record<string, unknown>>
  readonly site: Readonly<Record<string, unknown>>
  readonly disk: { readonly free_bytes?: number }
  readonly lines: {
    readonly store: string
    /** Numbers: synced here up to; acknowledged by the broker (count); on the collector's disk up to. */
    readonly safe: number
    readonly buffered: number
    readonly sent?: number
    readonly safe_away?: number
    readonly backlog?: number
  }
  /** `key`: the fingerprint of the key that signs. */
  readonly seals: SealStanding & { readonly key?: string }
  readonly link: Readonly<Record<string, unknown>>
}

export interface GaugeFacts {
  readonly channel: string
  readonly value: number
  readonly unit: string
  readonly age_s: number
}

export async function stationStatus(view: StationView, now: MonoSeconds): Promise<StationStatus> {
  const { options, store, uplink, alerting, averages, site, recordStart } = view
  const free = await view.freeBytes?.()
  const link = uplink?.status(now)
  const quiet = site.quietWords(now)
  return {
    v: 1,
    station: options.station,
    group: options.group,
    boot: view.boot,
    running_s: Math.round(now - view.startedAt),
    ...clockFacts(view, now),
    standard_offset_min: options.standardOffsetMinutes ?? 0,
    state: view.faults.worst() ?? 'well',
    faults: faultFacts(view, now),
    live: view.instruments.map((instrument) => withService(view, instrument.live(now), now)),
    averages: Object.fromEntries(
      averages.keys.map((key) => [key, averages.json(key, recordStart, view.day)]),
    ),
    day_hours: dayHoursOf(view),
    alerts: alerting.alerts.map((alert) => alerting.json(alert, quiet)),
    troubles: view.troubles.raised.map((rule) => view.troubles.json(rule)),
    ...(view.delivery ? { delivery: view.delivery.status(now), ...modemFacts(view, now) } : {}),
    ...commandFacts(view),
    ...(view.settings ? { settings: view.settings.inForce() } : {}),
    gauges: gaugeFacts(view, now),
    ...(view.energy ? { energy: view.energy.report() } : {}),
    site: siteFacts(view, now),
    disk: free?.ok ? { free_bytes: free.value } : {},
    lines: {
      store: store.storeId,
      safe: store.safeSeq,
      buffered: store.buffered,
      ...(link ? { sent: link.sent, safe_away: link.safe_away, backlog: link.backlog } : {}),
    },
    seals: sealFacts(view, now),
    link: link ? { ...link } : { state: 'none' },
  }
}

function dayHoursOf({ averages, recordStart, day }: StationView): Record<string, HoursOfDay> {
  if (!day) return {}
  const masses = averages.keys.filter(isMass)
  return Object.fromEntries(masses.map((key) => [key, averages.hoursOfDay(key, recordStart, day)!]))
}

function withService({ site }: StationView, live: LiveReading, now: MonoSeconds): LiveReading {
  const left = live.excluded === 'service' ? site.serviceSecondsLeft(live.slot, now) : undefined
  return left === undefined ? live : { ...live, counts_again_in_s: [Math.ceil(left), Math.ceil(left)] }
}

const gaugeFacts = ({ gauges }: StationView, now: MonoSeconds): GaugeFacts[] =>
  gauges.flatMap((gauge) =>
    gauge.channels.flatMap(({ key }) => {
      const last = gauge.last(key)
      const unit = kindOf(key)?.unit ?? ''
      return last ? [{ channel: key, value: last.value, unit, age_s: Math.round(now - last.at) }] : []
    }),
  )

function siteFacts({ site, clock }: StationView, now: MonoSeconds): Record<string, unknown> {
  const utc = clock.at(now)
  const { excluded } = utc === undefined ? {} : site.log.statusAt(utc)
  return { ...site.report(now), ...(excluded === undefined ? {} : { excluded }) }
}
