/**
 * The battery of a made station, by a simple energy balance in steps of a minute:
 *
 *   energy' = panel watts x sun share x charging efficiency - load watts,   between 0 and the capacity.
 *
 * Left out: temperature, ageing, the charge controller's curve. Voltage follows the charge in a straight line and gives
 * way by a fixed resistance. What it says of a time depends on nothing but the time, the plan and what was asleep before:
 * a sensor that is put to sleep, or a board without supply, draws less, and the charge that follows is what the station
 * decides by.
 */
export interface BatteryPlan {
  /** Where the balance begins. */
  readonly fromSeconds: number
  readonly startPercent: number
  readonly capacityWattHours: number
  readonly panelWatts: number
  /** What trees or a fence leave of the sun, 0 to 1. */
  readonly openSkyShare: number
  readonly loadWatts: number
}

export interface BatteryState {
  readonly stateOfChargePercent: number
  readonly batteryVolts: number
  /** Into the battery; below zero while it is drained. */
  readonly batteryAmperes: number
  readonly solarWatts: number
}

/** What a station has running; the same answer for a time that is over, whenever it is asked. */
export interface LoadPart {
  readonly watts: number
  readonly runs: (siteSeconds: number) => boolean
}

const chargingEfficiency = 0.85
const stepSeconds = 60
const emptyVolts = 12.2
const fullVolts = 13.4
const ohms = 0.06

export class MadeBattery {
  /** Energy in Wh at the beginning of each step, as far as it was asked for. */
  private readonly energy: number[]

  /**
   * @param sunShare of a site time, 0 to 1
   * @param parts of the load that do not always run, on top of the plan's watts
   */
  constructor(
    private readonly plan: BatteryPlan,
    private readonly sunShare: (siteSeconds: number) => number,
    private readonly parts: readonly LoadPart[] = [],
  ) {
    this.energy = [(plan.startPercent / 100) * plan.capacityWattHours]
  }

  at(siteSeconds: number): BatteryState {
    const step = Math.max(0, Math.floor((siteSeconds - this.plan.fromSeconds) / stepSeconds))
    while (this.energy.length <= step) this.energy.push(this.next())
    const share = this.energy[step] / this.plan.capacityWattHours
    const solarWatts = this.solarWatts(step)
    const loadWatts = this.loadWatts(step)
    const atRest = emptyVolts + (fullVolts - emptyVolts) * share
    const watts = share >= 1 && solarWatts > loadWatts ? 0 : solarWatts * chargingEfficiency - loadWatts
    const amperes = watts / atRest
    return {
      stateOfChargePercent: share * 100,
      batteryVolts: atRest + amperes * ohms,
      batteryAmperes: amperes,
      solarWatts,
    }
  }

  private next(): number {
    const step = this.energy.length - 1
    const watts = this.solarWatts(step) * chargingEfficiency - this.loadWatts(step)
    const energy = this.energy[step] + (watts * stepSeconds) / 3600
    return Math.max(0, Math.min(this.plan.capacityWattHours, energy))
  }

  private loadWatts(step: number): number {
    const at = this.plan.fromSeconds + step * stepSeconds
    return this.parts.reduce((sum, { watts, runs }) => sum + (runs(at) ? watts : 0), this.plan.loadWatts)
  }

  private solarWatts(step: number): number {
    const { fromSeconds, panelWatts, openSkyShare } = this.plan
    return panelWatts * openSkyShare * this.sunShare(fromSeconds + step * stepSeconds)
  }
}
