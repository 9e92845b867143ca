import {
  judgePanel,
  rememberDay,
  rememberHour,
  stepLedger,
  unexplainedLoad,
  type Energy,
  type LedgerStep,
  type PowerReading,
  type SunNow,
} from '../power/power.js'
import type { FaultCode } from '../terms/terms.js'
import type { EnergyState } from './energy-state.js'

/** A span of the ledger. */
export interface EnergyBooks {
  /** Number of the hour in local standard time. */
  readonly hour: number
  readonly seconds: number
  readonly reading: PowerReading
  readonly sun: SunNow | undefined
  readonly isFull: boolean
  readonly expectedWattHours: number
  readonly consumers: Readonly<Record<string, number>>
}

export interface BookTold {
  readonly tell: (name: string, details: Readonly<Record<string, string>>) => void
  readonly fault: (code: FaultCode, detail: string | undefined) => void
}

/** A day tells of the sun when its panel was watched for so long. */
const leastDaySeconds = 20 * 3600
const leastClearWattHours = 1

/** Adds a minute to the ledger; closed hours and days are told, and teach what the panel brings. */
export function bookEnergy(state: EnergyState, books: EnergyBooks, told: BookTold): EnergyState {
  const { hour, seconds, reading, sun, isFull, consumers } = books
  if (seconds <= 0) return state
  const step = stepLedger(state.ledger, {
    seconds,
    hour,
    batteryVolts: reading.volts,
    batteryAmperes: reading.amperes,
    solarWatts: reading.solarWatts,
    consumers,
    clearWatts: sun?.clearWatts,
    heldBack: isFull,
  })
  return closeDay(closeHour({ ...state, ledger: step.ledger }, step, told), step, books, told)
}

function closeHour(state: EnergyState, { closedHour }: LedgerStep, { tell }: BookTold): EnergyState {
  if (!closedHour) return state
  tell('energy-hour', figures(closedHour))
  const { freeSolarWattHours, freeClearWattHours, hour } = closedHour
  if (freeClearWattHours < leastClearWattHours) return state
  const share = freeSolarWattHours / freeClearWattHours
  return { ...state, harvest: rememberHour(state.harvest, ((hour % 24) + 24) % 24, share) }
}

function closeDay(
  state: EnergyState,
  { closedDay }: LedgerStep,
  { expectedWattHours }: EnergyBooks,
  { tell, fault }: BookTold,
): EnergyState {
  if (!closedDay) return state
  tell('energy-day', figures(closedDay))
  const load = unexplainedLoad(closedDay)
  fault(
    'load-unexplained',
    load && `${load.measuredWatts.toFixed(2)} W measured, ${load.modelWatts.toFixed(2)} W by the settings`,
  )
  const { health, weak } = judgePanel(state.panel, closedDay.bestShare)
  fault(
    'panel-weak',
    weak &&
      `${(100 * weak.recentShare).toFixed(0)} % of a clear sky of late, ${(100 * weak.learnedShare).toFixed(0)} % before`,
  )
  const brought = broughtBy(closedDay, expectedWattHours > 0)
  const harvest =
    brought === undefined ? state.harvest : rememberDay(state.harvest, brought, expectedWattHours)
  return { ...state, panel: health, harvest }
}

/**
 * What the panel brought on a day, Wh: as measured; without a gauge at the panel, and without a table that says what to expect of
 * it, by balance: what the battery gained and what the consumers are said to have used. Undefined: not watched for long enough.
 */
function broughtBy(day: Energy, hasTable: boolean): number | undefined {
  if (day.solarSeconds >= leastDaySeconds) return day.solarWattHours
  if (hasTable || day.batterySeconds < leastDaySeconds) return undefined
  const used = Object.values(day.modelWattHours).reduce((sum, wattHours) => sum + wattHours, 0)
  return Math.max(0, day.chargedWattHours - day.drawnWattHours + used)
}

/** What is not measured is left out, not 0. */
function figures(energy: Energy): Record<string, string> {
  const { solarSeconds, batterySeconds, loadSeconds } = energy
  const wattHours = (value: number): string => value.toFixed(2)
  const model = Object.entries(energy.modelWattHours).map(([name, value]) => [`${name}_wh`, wattHours(value)])
  return {
    seconds: energy.seconds.toFixed(0),
    ...(solarSeconds > 0 ? { solar_wh: wattHours(energy.solarWattHours) } : {}),
    ...(batterySeconds > 0
      ? { charged_wh: wattHours(energy.chargedWattHours), drawn_wh: wattHours(energy.drawnWattHours) }
      : {}),
    ...(loadSeconds > 0 ? { load_wh: wattHours(energy.loadWattHours), load_s: loadSeconds.toFixed(0) } : {}),
    ...(Object.fromEntries(model) as Record<string, string>),
  }
}
