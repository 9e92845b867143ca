/**
 * A battery that is better known than any gauge tells: minute by minute, with losses, resistance, surface charge after
 * charging and a charge controller that holds its voltage. It differs from the tables, as real ones do.
 */
import { percentAtRest, type BatteryReading, type Chemistry } from '../../agent/power/power.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { weatherAt } from '../../agent/simulation/made-weather.js'

export interface TruthPlan {
  readonly chemistry: Chemistry
  readonly capacityAmpereHours: number
  readonly chargeEfficiency: number
  readonly panelWatts: number
  readonly loadWatts: number
  readonly startPercent: number
  /** By how much its rest voltage lies off the table. */
  readonly tableVoltsOff: number
  readonly celsius: number
  readonly seed: number
}

export interface GaugePlan {
  readonly gain: number
  readonly offsetAmperes: number
  readonly noiseAmperes: number
  readonly noiseVolts: number
}

export interface TrueMinute {
  readonly percent: number
  readonly reading: Required<BatteryReading>
}

const ohms = 0.05
const heldCellVolts: Record<string, number> = { 'lead-acid': 2.4, lifepo4: 3.55 }
/** Above this charge the controller has to hold back. */
const heldFromPercent = 92

export function* trueBattery(plan: TruthPlan, gauge: GaugePlan, minutes: number): Generator<TrueMinute> {
  const random = seededRandom(plan.seed)
  const weather = { seed: plan.seed, meanTemperature: 15, dewPoint: 5, days: {} }
  let percent = plan.startPercent
  let surfaceVolts = 0
  for (let minute = 0; minute < minutes; minute++) {
    const sun = plan.panelWatts * weatherAt(weather, minute * 60).sunShare * 0.8
    const wanted = (sun - plan.loadWatts) / 13
    const most = (plan.capacityAmpereHours / 6) * Math.max(0, (100 - percent) / (100 - heldFromPercent))
    const amperes = Math.min(wanted, most)
    const held = wanted > most
    const moved = amperes > 0 ? amperes * plan.chargeEfficiency : amperes
    percent = Math.max(0, Math.min(100, percent + (100 * moved) / 60 / plan.capacityAmpereHours))
    const drive = amperes > 0 ? 0.3 * Math.min(1, (amperes * 10) / plan.capacityAmpereHours) : 0
    surfaceVolts += (drive - surfaceVolts) / 90
    const volts = held
      ? heldCellVolts[plan.chemistry.name] * plan.chemistry.cells
      : restVolts(plan, percent) + amperes * ohms + surfaceVolts
    yield {
      percent,
      reading: {
        volts: volts + gauge.noiseVolts * random.normal(),
        amperes: amperes * gauge.gain + gauge.offsetAmperes + gauge.noiseAmperes * random.normal(),
        celsius: plan.celsius,
      },
    }
  }
}

/** The table read backwards by halving, moved by what this battery differs. */
function restVolts({ chemistry, tableVoltsOff }: TruthPlan, percent: number): number {
  const table = chemistry.rest
  let [low, high] = [table[0].volts, table[table.length - 1].volts]
  for (let i = 0; i < 30; i++) {
    const middle = (low + high) / 2
    if (percentAtRest(table, middle) < percent) low = middle
    else high = middle
  }
  return low + tableVoltsOff
}
