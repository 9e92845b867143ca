/** A battery of one's own, and what its voltage tells: at rest, and with load and charge unknown. */
import { capacityShare, percentAtRest, type Chemistry, type RestRow } from './battery.js'

export interface BatterySpec {
  readonly chemistry: Chemistry
  /** As named by whoever sold it. */
  readonly capacityAmpereHours: number
  /** Of the whole battery: 12, 12.8, 24 … */
  readonly nominalVolts: number
  /** Of the whole battery, rising; in place of the table of the chemistry. */
  readonly restTable?: readonly RestRow[]
  /** How far the current gauge may be off: share of the value, and A. */
  readonly gaugeGainError: number
  readonly gaugeOffsetAmperes: number
}

/** One look at the gauges; what is not there could not be read. Current into the battery is above 0. */
export interface BatteryReading {
  readonly volts?: number
  readonly amperes?: number
  readonly celsius?: number
}

/** Packs of the chemistry's table in series. */
export const packs = (spec: BatterySpec): number =>
  Math.max(1, Math.round(spec.nominalVolts / spec.chemistry.tableVolts))

/** Rest voltages of the whole battery. */
export const restTableOf = (spec: BatterySpec): readonly RestRow[] =>
  spec.restTable ?? spec.chemistry.rest.map(({ percent, volts }) => ({ percent, volts: volts * packs(spec) }))

/**
 * Half-way from a full battery at rest to one that is charged full: at and above it a battery stands only while it is
 * charged, or some minutes after.
 */
export function chargingVolts(spec: BatterySpec): number {
  const { cells, fullCellVolts } = spec.chemistry
  return (restTableOf(spec).at(-1)!.volts + cells * packs(spec) * fullCellVolts) / 2
}

/** How far table, temperature and maker move a rest voltage of a 12-V pack (common practice). */
const restVoltsError = 0.1

/** Points by which a rest voltage may be wrong: where the curve is flat it tells little; the cold adds half. */
export function restSd(
  table: readonly RestRow[],
  percent: number,
  celsius: number,
  spec: BatterySpec,
): number {
  const above = Math.max(
    1,
    table.findIndex((row) => row.percent >= percent),
  )
  const [low, high] = [table[above - 1], table[above]]
  const slope = (high.volts - low.volts) / (high.percent - low.percent)
  const points = (restVoltsError * packs(spec)) / slope
  return Math.max(3, Math.min(spec.chemistry.restErrorPoints, points)) * (celsius < 5 ? 1.5 : 1)
}

export interface ByVoltage {
  readonly percent: number
  readonly lowPercent: number
  readonly highPercent: number
}

/** A voltage while a panel charges stands so far above the rest voltage, under a usual load so far below it (12-V pack). */
const chargeLiftVolts = 0.35
const loadSagVolts = 0.1

/** What a voltage alone tells, load and charge unknown: a wide range and its middle. */
export function chargeByVoltage(volts: number, spec: BatterySpec): ByVoltage {
  const table = restTableOf(spec)
  const error = spec.chemistry.restErrorPoints
  const lowest = percentAtRest(table, volts - chargeLiftVolts * packs(spec)) - error
  const highest = percentAtRest(table, volts + loadSagVolts * packs(spec)) + error
  const lowPercent = Math.max(0, lowest)
  const highPercent = Math.min(100, highest)
  return { percent: (lowPercent + highPercent) / 2, lowPercent, highPercent }
}

/** Wh that can be had down to a charge, at a temperature: the cold keeps the lowest part of it back. */
export function usableWattHours(
  estimate: { readonly percent: number; readonly capacityAmpereHours: number },
  downToPercent: number,
  celsius: number,
  spec: BatterySpec,
): number {
  const keptBack = 100 * (1 - capacityShare(spec.chemistry, celsius))
  const points = Math.max(0, estimate.percent - Math.max(downToPercent, keptBack))
  return (points / 100) * estimate.capacityAmpereHours * spec.nominalVolts
}

/** Charging a chemistry that does not bear it below freezing: to be told at once. */
export const chargingBelowFreezing = (
  { amperes, celsius }: BatteryReading,
  { chemistry, gaugeOffsetAmperes }: BatterySpec,
): boolean =>
  !chemistry.chargesBelowFreezing &&
  celsius !== undefined &&
  celsius < 0 &&
  (amperes ?? 0) > 2 * gaugeOffsetAmperes
