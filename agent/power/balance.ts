/** Energy in and out of a battery by the hour, and the rules of thumb for choosing battery and panel. */

export interface EnergyBattery {
  readonly capacityWattHours: number
  /** Below it the load is cut off. */
  readonly leastWattHours: number
  /** Share of what is put in that arrives, and of what is taken out that the load sees. */
  readonly chargeEfficiency: number
  readonly dischargeEfficiency: number
}

/** Wh after an hour: never above the capacity, but below the least where the load asked for more than there was. */
export function nextEnergy(battery: EnergyBattery, wattHours: number, panel: number, load: number): number {
  const net = panel - load
  const moved = net >= 0 ? net * battery.chargeEfficiency : net / battery.dischargeEfficiency
  return Math.min(battery.capacityWattHours, wattHours + moved)
}

export interface LossOfLoad {
  /** Hours in which the load was not served in full. */
  readonly lossHours: number
  readonly unmetWattHours: number
  /** Hours of loss over all hours. */
  readonly probability: number
  /** Energy not served over energy asked for. */
  readonly energyRatio: number
  /** Wh in the battery after each hour. */
  readonly wattHours: readonly number[]
}

/** Hour by hour with a load that is always asked for (own definition of loss of load; both ratios are usual). */
export function lossOfLoad(
  battery: EnergyBattery,
  startWattHours: number,
  panelWattHours: readonly number[],
  loadWattHours: readonly number[],
): LossOfLoad {
  let energy = startWattHours
  let lossHours = 0
  let unmetWattHours = 0
  const wattHours = loadWattHours.map((load, hour) => {
    const after = nextEnergy(battery, energy, panelWattHours[hour], load)
    if (after < battery.leastWattHours) {
      lossHours++
      unmetWattHours += (battery.leastWattHours - after) * battery.dischargeEfficiency
    }
    energy = Math.max(battery.leastWattHours, after)
    return energy
  })
  const asked = loadWattHours.reduce((sum, load) => sum + load, 0)
  return {
    lossHours,
    unmetWattHours,
    probability: lossHours / Math.max(1, loadWattHours.length),
    energyRatio: asked > 0 ? unmetWattHours / asked : 0,
    wattHours,
  }
}

/** Wh a battery must hold to carry a load through days without sun (the way of IEEE 1013, from memory). */
export const batteryForDays = (
  dailyLoadWattHours: number,
  days: number,
  depthOfDischarge: number,
  temperatureFactor: number,
  wiringEfficiency: number,
): number => (dailyLoadWattHours * days) / (depthOfDischarge * temperatureFactor * wiringEfficiency)

/** Watts of panel by peak sun hours (1 h = 1 kWh/m² on the plane): common practice. */
export const panelForSunHours = (
  dailyLoadWattHours: number,
  peakSunHours: number,
  overallEfficiency: number,
): number => dailyLoadWattHours / (peakSunHours * overallEfficiency)

/** Strings of panels for an array-to-load ratio, not rounded (sun-hour method of IEEE 1562, from memory). */
export const stringsForRatio = (
  dailyLoadAmpereHours: number,
  arrayToLoad: number,
  losses: number,
  peakSunHours: number,
  stringAmperes: number,
): number => (dailyLoadAmpereHours * arrayToLoad) / ((1 - losses) * peakSunHours * stringAmperes)

/** The ratio that a whole number of strings gives. */
export const ratioOfStrings = (
  strings: number,
  dailyLoadAmpereHours: number,
  losses: number,
  peakSunHours: number,
  stringAmperes: number,
): number => (strings * (1 - losses) * peakSunHours * stringAmperes) / dailyLoadAmpereHours
