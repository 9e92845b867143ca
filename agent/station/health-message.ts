import type { ModemStanding } from '../delivery/delivery.js'
import type { Store } from '../store/store.js'
import { utcText, type MonoSeconds, type Outcome } from '../terms/terms.js'
import type { CommandStanding } from './command-watch.js'
import type { StationOptions } from './options.js'
import type { Parts } from './parts.js'
import type { DaySoFar } from './running-averages.js'
import type { Sealing, SealStanding } from './sealing.js'
import type { SettingsFromAfar } from './settings-from-afar.js'

/** A station for those who report on it and change nothing. */
export interface StationView extends Omit<Parts, 'inFlight'> {
  readonly options: StationOptions
  readonly session: number
  readonly startedAt: MonoSeconds
  readonly store: Store
  readonly sealing: Sealing
  /** Start of the running record: the end of the newest whole one. */
  readonly recordStart: MonoSeconds
  readonly day?: DaySoFar
  readonly freeBytes?: () => Promise<Outcome<number>>
  readonly residentBytes?: () => number
  readonly settings?: SettingsFromAfar
}

/** State, faults with their age, power, clock, and the balance of every stage. */
export function healthMessage(view: StationView, now: MonoSeconds): Record<string, unknown> {
  const { faults, store, uplink } = view
  return {
    v: 1,
    station: view.options.station,
    ...builtAs(view.options),
    boot: view.boot,
    session: view.session,
    mono_s: Math.round(now),
    ...clockFacts(view, now),
    state: faults.worst() ?? 'well',
    faults: faultFacts(view, now),
    power: Object.assign({}, ...view.gauges.map((gauge) => gauge.newest())) as Record<string, number>,
    ...(view.energy ? { energy: view.energy.report() } : {}),
    surroundings: view.surroundings.report(now),
    instruments: view.instruments.map((instrument) => instrument.report(now)),
    pairs: view.pairs.report(),
    ...(view.delivery ? { delivery: view.delivery.counts(), ...modemFacts(view, now) } : {}),
    ...commandFacts(view),
    ...siteNews(view, now),
    store: { id: store.storeId, safe: store.safeSeq, buffered: store.buffered, ...store.counts() },
    seals: sealFacts(view, now),
    jobs: view.jobs.report(now),
    ...(view.residentBytes ? { resident_mb: Math.round(view.residentBytes() / 1e5) / 10 } : {}),
    uplink: uplink ? { ...uplink.status(now), ...linkSteps(view, now) } : { state: 'none' },
  }
}

/** By which a group is compared. */
function builtAs({ software, measuring }: StationOptions): Record<string, string> {
  return {
    ...(software === undefined ? {} : { software }),
    ...(measuring === undefined ? {} : { settings: measuring }),
  }
}

/** Known only where messages go through it. */
export function modemFacts({ delivery }: StationView, now: MonoSeconds): { modem?: ModemStanding } {
  const modem = delivery?.modemStanding(now)
  return modem ? { modem } : {}
}

export function commandFacts({ commands }: StationView): { commands?: CommandStanding } {
  const standing = commands?.standing()
  return standing ? { commands: standing } : {}
}

/** What was done about the link in 24 hours; nothing where nothing was. */
function linkSteps({ ladder }: StationView, now: MonoSeconds): { steps_24_h?: Record<string, number> } {
  const steps = ladder?.report(now) ?? {}
  return Object.keys(steps).length === 0 ? {} : { steps_24_h: steps }
}

/** The key's fingerprint stands beside what it signed, so that people far away can note it too. */
export function sealFacts(
  { sealing, options }: StationView,
  now: MonoSeconds,
): SealStanding & { key?: string } {
  const { keyFingerprint = options.keyFingerprint } = sealing
  return { ...sealing.standing(now), ...(keyFingerprint === undefined ? {} : { key: keyFingerprint }) }
}

/** Health travels over metered links: a site log without entries has nothing to say in it. */
function siteNews({ site }: StationView, now: MonoSeconds): Record<string, unknown> {
  const counts = site.log.counts()
  return counts.taken === 0 ? {} : { site: site.report(now), site_log: counts }
}

export function clockFacts({ clock }: StationView, now: MonoSeconds): Record<string, unknown> {
  const utc = clock.at(now)
  if (utc === undefined) return {}
  const checked = clock.checkedAt
  return {
    at: utcText(utc),
    clock_error_s: Math.round(clock.errorAt(now) * 10) / 10,
    clock_source: clock.source!.source,
    ...(checked === undefined ? {} : { clock_checked_s: Math.max(0, Math.round(now - checked)) }),
  }
}

export interface FaultFacts {
  readonly code: string
  readonly detail: string
  readonly for_s: number
  readonly times: number
}

export const faultFacts = ({ faults }: StationView, now: MonoSeconds): FaultFacts[] =>
  faults
    .list()
    .map(({ code, detail, since, times }) => ({ code, detail, for_s: Math.round(now - since), times }))
