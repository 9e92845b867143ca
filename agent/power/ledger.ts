/**
 * Energy in and out, hour by hour and day by day: what was measured, and what a model of the consumers says it should be.
 * What is not measured is not filled in: each figure says of how many seconds it is.
 */

export interface LedgerInput {
  readonly seconds: number
  /** Number of the hour in local standard time: 24 make a day, the first of a day can be divided by 24. */
  readonly hour: number
  readonly batteryVolts?: number
  /** Into the battery above 0. */
  readonly batteryAmperes?: number
  readonly solarWatts?: number
  /** Watts by consumer, as the model has them for this span. */
  readonly consumers: Readonly<Record<string, number>>
  /** What the panel would give under a clear sky. */
  readonly clearWatts?: number
  /** The battery is full and the controller takes less than the panel could give. */
  readonly heldBack: boolean
}

export interface Energy {
  readonly hour: number
  readonly seconds: number
  readonly solarWattHours: number
  readonly solarSeconds: number
  readonly chargedWattHours: number
  readonly drawnWattHours: number
  readonly batterySeconds: number
  /** Panel less what went into the battery; only where both are known, or at night by the battery alone. */
  readonly loadWattHours: number
  readonly loadSeconds: number
  /** By consumer, of all seconds; and of all consumers in the seconds in which the load was measured. */
  readonly modelWattHours: Readonly<Record<string, number>>
  readonly modelOfMeasured: number
  /** Of the seconds in which the panel was free to give what it could. */
  readonly freeSolarWattHours: number
  readonly freeClearWattHours: number
}

export interface Ledger {
  readonly hour?: Energy
  readonly day?: Energy
  /** Best share of the clear sky that an hour of the running day has given. */
  readonly bestShare?: number
}

export interface LedgerStep {
  readonly ledger: Ledger
  readonly closedHour?: Energy
  readonly closedDay?: Energy & { readonly bestShare?: number }
}

export const noEnergy = (hour: number): Energy => ({
  hour,
  seconds: 0,
  solarWattHours: 0,
  solarSeconds: 0,
  chargedWattHours: 0,
  drawnWattHours: 0,
  batterySeconds: 0,
  loadWattHours: 0,
  loadSeconds: 0,
  modelWattHours: {},
  modelOfMeasured: 0,
  freeSolarWattHours: 0,
  freeClearWattHours: 0,
})

/** More consumers than this are counted together as 'other'. */
const mostConsumers = 32
/** An hour tells of the panel when the clear sky would give it so many Wh, with the panel free. */
const leastClearWattHours = 2

export const newLedger: Ledger = {}

/** Adds a span; hours and days close when a span of a later one comes. A span never crosses an hour: the caller cuts it. */
export function stepLedger(ledger: Ledger, input: LedgerInput): LedgerStep {
  const closesHour = ledger.hour !== undefined && ledger.hour.hour !== input.hour
  const dayStart = Math.floor(input.hour / 24) * 24
  const closesDay = ledger.day !== undefined && ledger.day.hour !== dayStart
  const bestShare = closesHour ? better(ledger.bestShare, shareOfClear(ledger.hour)) : ledger.bestShare
  const span = energyOf(input)
  return {
    ledger: {
      hour: added(closesHour ? undefined : ledger.hour, span, input.hour),
      day: added(closesDay ? undefined : ledger.day, span, dayStart),
      bestShare: closesDay ? undefined : bestShare,
    },
    closedHour: closesHour ? ledger.hour : undefined,
    closedDay: closesDay ? { ...ledger.day, bestShare } : undefined,
  }
}

const better = (a: number | undefined, b: number | undefined): number | undefined =>
  a === undefined || (b !== undefined && b > a) ? b : a

/** Undefined for an hour that tells nothing of the panel. */
function shareOfClear({ freeSolarWattHours, freeClearWattHours }: Energy): number | undefined {
  return freeClearWattHours >= leastClearWattHours ? freeSolarWattHours / freeClearWattHours : undefined
}

/** Below this a panel gives nothing: at night the battery alone tells the load. */
const nightClearWatts = 0.01

function energyOf(input: LedgerInput): Energy {
  const { seconds, solarWatts, consumers, clearWatts, heldBack } = input
  const hours = seconds / 3600
  const battery =
    input.batteryVolts === undefined || input.batteryAmperes === undefined
      ? undefined
      : input.batteryVolts * input.batteryAmperes
  const isNight = clearWatts !== undefined && clearWatts < nightClearWatts
  const panel = solarWatts ?? (isNight ? 0 : undefined)
  const load = panel === undefined || battery === undefined ? undefined : panel - battery
  const model = Object.values(consumers).reduce((sum, watts) => sum + watts, 0)
  const isFree = solarWatts !== undefined && clearWatts !== undefined && !heldBack
  return {
    hour: input.hour,
    seconds,
    solarWattHours: (solarWatts ?? 0) * hours,
    solarSeconds: solarWatts === undefined ? 0 : seconds,
    chargedWattHours: Math.max(0, battery ?? 0) * hours,
    drawnWattHours: Math.max(0, -(battery ?? 0)) * hours,
    batterySeconds: battery === undefined ? 0 : seconds,
    loadWattHours: (load ?? 0) * hours,
    loadSeconds: load === undefined ? 0 : seconds,
    modelWattHours: Object.fromEntries(
      Object.entries(consumers).map(([name, watts]) => [name, watts * hours]),
    ),
    modelOfMeasured: load === undefined ? 0 : model * hours,
    freeSolarWattHours: isFree ? solarWatts * hours : 0,
    freeClearWattHours: isFree ? clearWatts * hours : 0,
  }
}

function added(sum: Energy | undefined, span: Energy, hour: number): Energy {
  const before = sum ?? noEnergy(hour)
  return {
    hour,
    seconds: before.seconds + span.seconds,
    solarWattHours: before.solarWattHours + span.solarWattHours,
    solarSeconds: before.solarSeconds + span.solarSeconds,
    chargedWattHours: before.chargedWattHours + span.chargedWattHours,
    drawnWattHours: before.drawnWattHours + span.drawnWattHours,
    batterySeconds: before.batterySeconds + span.batterySeconds,
    loadWattHours: before.loadWattHours + span.loadWattHours,
    loadSeconds: before.loadSeconds + span.loadSeconds,
    modelWattHours: addedByName(before.modelWattHours, span.modelWattHours),
    modelOfMeasured: before.modelOfMeasured + span.modelOfMeasured,
    freeSolarWattHours: before.freeSolarWattHours + span.freeSolarWattHours,
    freeClearWattHours: before.freeClearWattHours + span.freeClearWattHours,
  }
}

function addedByName(
  before: Readonly<Record<string, number>>,
  span: Readonly<Record<string, number>>,
): Record<string, number> {
  const sum = new Map(Object.entries(before))
  for (const [name, wattHours] of Object.entries(span)) {
    const key = sum.has(name) || sum.size < mostConsumers ? name : 'other'
    sum.set(key, (sum.get(key) ?? 0) + wattHours)
  }
  return Object.fromEntries(sum)
}

export interface UnexplainedLoad {
  readonly measuredWatts: number
  readonly modelWatts: number
  /** Above 0: something draws that the model does not know. Below 0: something that should run does not. */
  readonly differenceWatts: number
}

/** Gauges and models do not agree better than this; a load is told only where it differs by more. */
const explainedShare = 0.25
const explainedWatts = 0.3
const leastMeasuredSeconds = 12 * 3600

/** Of a closed day: the load that the consumers do not explain; undefined where they do, or too little was measured. */
export function unexplainedLoad(day: Energy): UnexplainedLoad | undefined {
  if (day.loadSeconds < leastMeasuredSeconds) return undefined
  const hours = day.loadSeconds / 3600
  const measuredWatts = day.loadWattHours / hours
  const modelWatts = day.modelOfMeasured / hours
  const differenceWatts = measuredWatts - modelWatts
  const allowed = Math.max(explainedWatts, explainedShare * modelWatts)
  return Math.abs(differenceWatts) > allowed ? { measuredWatts, modelWatts, differenceWatts } : undefined
}

/** What a panel gives at its best, as a share of the clear sky: learned, and of late. */
export interface PanelHealth {
  /** Best shares of the last days that told anything, oldest first. */
  readonly recent: readonly number[]
  readonly learnedShare?: number
}

export const newPanelHealth: PanelHealth = { recent: [] }
/** In so many days there is a clear hour nearly anywhere. */
const recentDays = 14
/** Seasons move the sun and its shadows; what was learned fades by this a day. */
const fadePerDay = 0.9995
const weakShare = 0.8

export interface PanelJudgement {
  readonly health: PanelHealth
  /** Told when the panel gives clearly less than it used to: clean or check it. */
  readonly weak?: { readonly recentShare: number; readonly learnedShare: number }
}

/** After a closed day; a day that told nothing of the panel changes nothing. */
export function judgePanel(health: PanelHealth, bestShare: number | undefined): PanelJudgement {
  if (bestShare === undefined) return { health }
  const recent = [...health.recent, bestShare].slice(-recentDays)
  if (recent.length < recentDays) return { health: { ...health, recent } }
  const recentShare = Math.max(...recent)
  const learnedShare = Math.max((health.learnedShare ?? 0) * fadePerDay, recentShare)
  const isWeak = recentShare < weakShare * learnedShare
  return { health: { recent, learnedShare }, weak: isWeak ? { recentShare, learnedShare } : undefined }
}
