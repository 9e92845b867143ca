/** How a panel and a battery live through many made years, hour by hour, and which are the smallest that will do. */
import { batteryForDays, nextEnergy, type EnergyBattery } from './balance.js'
import { capacityShare, type Chemistry } from './battery.js'
import { darkDays, darkReserves } from './forecast.js'
import { decidePlan, samplingSteps, dailyWattHours, usualRules, type SamplingStep } from './plan.js'
import { badSpellLight, yearDays, type MadeDays, type Sky } from './year.js'

/** Share of the panel's rated power times light that reaches the battery: dirt, warmth, controller, wires (common practice). */
export const panelYield = 0.75
/** Share of the battery's energy that wires leave to the load. */
const wiringShare = 0.97

export interface Plant {
  readonly panelWatts: number
  readonly batteryWattHours: number
  readonly chemistry: Chemistry
  /** Of the battery, all year: the capacity at that cold is what counts. */
  readonly celsius: number
}

export interface Load {
  readonly boardWattHours: number
  /** A day of the sensor running without pause. */
  readonly sensorWattHours: number
}

export interface Made {
  readonly sky: Sky
  readonly days: MadeDays
}

export interface Lived {
  /** Hours without enough energy, over all hours. */
  readonly lossProbability: number
  readonly lossHoursPerYear: number
  readonly yearsWithoutLoss: number
  readonly years: number
  /** Share of the hours in each step while there was energy. */
  readonly stepShares: Readonly<Record<SamplingStep, number>>
}

/** The battery as the simulation has it: at its cold capacity, cut off at the charge of its chemistry. */
export function energyBatteryOf({ batteryWattHours, chemistry, celsius }: Plant): EnergyBattery {
  const capacityWattHours = batteryWattHours * capacityShare(chemistry, celsius)
  return {
    capacityWattHours,
    leastWattHours: (capacityWattHours * chemistry.cutOffPercent) / 100,
    chargeEfficiency: chemistry.energyEfficiency,
    dischargeEfficiency: wiringShare,
  }
}

/** Days that a full battery carries the load without any sun. */
export function daysOfAutonomy(plant: Plant, dailyLoad: number): number {
  const { capacityWattHours, leastWattHours } = energyBatteryOf(plant)
  return ((capacityWattHours - leastWattHours) * wiringShare) / dailyLoad
}

/** The battery that carries it so many days. */
export const batteryForAutonomy = (plant: Plant, dailyLoad: number, days: number): number =>
  batteryForDays(
    dailyLoad,
    days,
    1 - plant.chemistry.cutOffPercent / 100,
    capacityShare(plant.chemistry, plant.celsius),
    wiringShare,
  )

/** The steps that a plan takes from day to day, told the charge at midnight and below the reserve. */
type Planner = (now: SamplingStep, percent: number, month: number, isMidnight: boolean) => SamplingStep

const fixed =
  (step: SamplingStep): Planner =>
  () =>
    step

/** The protecting plan of `decidePlan`, trusting the bad spell of the month. */
function stepping(plant: Plant, load: Load, made: Made): Planner {
  const { chemistry, panelWatts } = plant
  const { capacityWattHours } = energyBatteryOf(plant)
  const bad = badSpellLight(made.days).map(
    (light) => wattHoursOf(light, panelWatts) * chemistry.energyEfficiency,
  )
  const rules = { ...usualRules, ...chemistry }
  const dark = darkReserves(
    darkDays(made.sky),
    (light) => wattHoursOf(light, panelWatts),
    load.boardWattHours,
    { charge: chemistry.energyEfficiency, discharge: wiringShare },
  ).map((wattHours) => chemistry.cutOffPercent + (100 * wattHours) / capacityWattHours)
  return (now, percent, month, isMidnight) => {
    const known = { capacityWattHours, badSpellWattHours: bad[month], darkPercent: dark[month] }
    const view = { now, percent, ...known, isMidnight, ...load }
    return decidePlan({ ...view, afterHardCut: false }, rules).step
  }
}

/** Wh from a panel for Wh/m² of light. */
export const wattHoursOf = (light: number, panelWatts: number): number =>
  (light / 1000) * panelWatts * panelYield

/** All made years in a row, beginning with a full battery. */
export function live(plant: Plant, load: Load, made: Made, plan: SamplingStep | 'stepping'): Lived {
  const planner = plan === 'stepping' ? stepping(plant, load, made) : fixed(plan)
  const battery = energyBatteryOf(plant)
  const reserve = (battery.capacityWattHours * plant.chemistry.reservePercent) / 100
  const hourly = Object.fromEntries(
    samplingSteps.map(({ step }) => [
      step,
      dailyWattHours(load.boardWattHours, load.sensorWattHours, step) / 24,
    ]),
  ) as Record<SamplingStep, number>
  const shares: Record<SamplingStep, number> = { continuous: 0, '5-of-15': 0, '5-of-60': 0, heartbeat: 0 }
  const count = made.days.light.length
  const lossOfYear = new Uint32Array(Math.ceil(count / yearDays))
  let step: SamplingStep = plan === 'stepping' ? 'continuous' : plan
  let energy = battery.capacityWattHours
  for (let day = 0; day < count; day++) {
    const month = made.days.months[day]
    const { plane, level } = made.sky[month]
    for (let hour = 0; hour < 24; hour++) {
      if (hour === 0 || (energy < reserve && step !== 'heartbeat'))
        step = planner(step, (100 * energy) / battery.capacityWattHours, month, hour === 0)
      const light = made.days.plane[day] * plane[hour] + made.days.level[day] * level[hour]
      const after = nextEnergy(battery, energy, wattHoursOf(light, plant.panelWatts), hourly[step])
      if (after < battery.leastWattHours) lossOfYear[Math.floor(day / yearDays)]++
      else shares[step]++
      energy = Math.max(battery.leastWattHours, after)
    }
  }
  return livedOf(lossOfYear, shares)
}

function livedOf(lossOfYear: Uint32Array, shares: Record<SamplingStep, number>): Lived {
  const years = lossOfYear.length
  const hours = years * yearDays * 24
  const loss = lossOfYear.reduce((sum, hoursLost) => sum + hoursLost, 0)
  const stepShares = Object.fromEntries(
    samplingSteps.map(({ step }) => [step, shares[step] / hours]),
  ) as Record<SamplingStep, number>
  return {
    lossProbability: loss / hours,
    lossHoursPerYear: loss / years,
    yearsWithoutLoss: lossOfYear.filter((hoursLost) => hoursLost === 0).length,
    years,
    stepShares,
  }
}

export const largestPanelWatts = 2000
export const largestBatteryDays = 120

/** The smallest whole watts of panel with which the loss stays within the wish; undefined if none up to the largest. */
export function smallestPanel(
  plant: Plant,
  load: Load,
  made: Made,
  step: SamplingStep,
  wish: number,
): number | undefined {
  const reaches = (panelWatts: number): boolean =>
    live({ ...plant, panelWatts }, load, made, step).lossProbability <= wish
  return smallestWhole(largestPanelWatts, reaches)
}

/** The smallest battery in steps of 10 Wh, between the days wished for and the largest worth naming. */
export function smallestBattery(
  plant: Plant,
  load: Load,
  made: Made,
  step: SamplingStep,
  wish: number,
  days: number,
): number | undefined {
  const daily = dailyWattHours(load.boardWattHours, load.sensorWattHours, step)
  const least = Math.ceil(batteryForAutonomy(plant, daily, days) / 10)
  const most = Math.ceil(batteryForAutonomy(plant, daily, Math.max(days, largestBatteryDays)) / 10)
  const reaches = (more: number): boolean =>
    live({ ...plant, batteryWattHours: (least + more - 1) * 10 }, load, made, step).lossProbability <= wish
  const more = smallestWhole(most - least + 1, reaches)
  return more === undefined ? undefined : (least + more - 1) * 10
}

/** From 1 to `most`, for a condition that stays true once it is. */
function smallestWhole(most: number, reaches: (value: number) => boolean): number | undefined {
  if (!reaches(most)) return undefined
  let [low, high] = [0, most]
  while (high - low > 1) {
    const middle = Math.floor((low + high) / 2)
    if (reaches(middle)) high = middle
    else low = middle
  }
  return high
}
