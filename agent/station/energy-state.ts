import {
  newCharge,
  newHarvest,
  newLedger,
  newPanelHealth,
  noEnergy,
  noMark,
  type BatterySpec,
  type ChargeState,
  type HarvestMemory,
  type Ledger,
  type PanelHealth,
  type SamplingStep,
  type SignState,
} from '../power/power.js'
import type { UtcMillis } from '../terms/terms.js'

/** What a station knows of battery and sun, and keeps across restarts: a few kilobytes. */
export interface EnergyState {
  readonly charge?: ChargeState
  readonly ledger: Ledger
  readonly panel: PanelHealth
  readonly harvest: HarvestMemory
  /** The battery cut the station off and has not recovered since. */
  readonly afterHardCut: boolean
  readonly hardCuts: number
}

/** As it stands in the checkpoint. */
export interface SavedEnergy extends EnergyState {
  readonly v: 1
  /** Whether the wires of the current gauge are turned, and since when it seems so. */
  readonly sign?: SignState
  readonly step: SamplingStep
  readonly percent?: number
  /** The station was stopped in order, not cut off. */
  readonly clean: boolean
  readonly utc?: UtcMillis
}

export const newEnergy = (spec: BatterySpec | undefined): EnergyState => ({
  charge: spec && newCharge(spec),
  ledger: newLedger,
  panel: newPanelHealth,
  harvest: newHarvest,
  afterHardCut: false,
  hardCuts: 0,
})

const isMap = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null
const isNumbers = (value: unknown, length?: number): boolean =>
  Array.isArray(value) &&
  (length === undefined || value.length === length) &&
  value.every((one) => Number.isFinite(one))

/** Accepts what `save` gave; anything else is nothing. Each part that is not whole begins anew. */
export function readEnergy(value: unknown, spec: BatterySpec | undefined): SavedEnergy | undefined {
  if (!isMap(value) || value.v !== 1) return undefined
  const fresh = newEnergy(spec)
  const { charge, harvest, panel, ledger, percent, utc } = value
  return {
    v: 1,
    charge: spec && isCharge(charge, spec) ? charge : fresh.charge,
    ledger: isLedger(ledger) ? ledger : fresh.ledger,
    panel: isPanel(panel) ? panel : fresh.panel,
    harvest: isHarvest(harvest) ? harvest : fresh.harvest,
    afterHardCut: value.afterHardCut === true,
    hardCuts: Number.isSafeInteger(value.hardCuts) ? (value.hardCuts as number) : 0,
    ...(isSign(value.sign) ? { sign: value.sign } : {}),
    step: value.step as SamplingStep,
    clean: value.clean === true,
    ...(Number.isFinite(percent) ? { percent: percent as number } : {}),
    ...(Number.isFinite(utc) ? { utc: utc as UtcMillis } : {}),
  }
}

/** Every number of a part that a fresh one has, and no other that is none. */
const hasNumbersOf = (value: Record<string, unknown>, fresh: object): boolean =>
  Object.entries(fresh).every(([key, one]) => typeof value[key] === typeof one) &&
  Object.values(value).every((one) => typeof one !== 'number' || Number.isFinite(one))

const isMaybeNumber = (value: unknown): boolean => value === undefined || Number.isFinite(value)

const isCharge = (value: unknown, spec: BatterySpec): value is ChargeState =>
  isMap(value) &&
  hasNumbersOf(value, newCharge(spec)) &&
  isMaybeNumber(value.percent) &&
  isMaybeNumber(value.smoothVolts) &&
  (value.mark === undefined || (isMap(value.mark) && hasNumbersOf(value.mark, noMark)))

const isSign = (value: unknown): value is SignState =>
  isMap(value) &&
  Number.isFinite(value.seconds) &&
  typeof value.isTurned === 'boolean' &&
  (typeof value.because === 'string' || (value.because === undefined && !value.isTurned))

const isHarvest = (value: unknown): value is HarvestMemory =>
  isMap(value) &&
  isNumbers(value.bestByHour, 24) &&
  Array.isArray(value.days) &&
  value.days.length <= 60 &&
  value.days.every((day) => isMap(day) && isNumbers([day.wattHours, day.expected]))

const isEnergy = (value: unknown): boolean =>
  value === undefined ||
  (isMap(value) &&
    isMap(value.modelWattHours) &&
    isNumbers(Object.values(value.modelWattHours)) &&
    hasNumbersOf(value, noEnergy(0)))

const isLedger = (value: unknown): value is Ledger =>
  isMap(value) && isEnergy(value.hour) && isEnergy(value.day) && isMaybeNumber(value.bestShare)

const isPanel = (value: unknown): value is PanelHealth =>
  isMap(value) && isNumbers(value.recent) && isMaybeNumber(value.learnedShare)
