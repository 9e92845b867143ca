/** Made years of a station on battery and sun: fixed continuous, the protecting plan, and the best that foresight could do. */
import {
  chemistries,
  dailyWattHours,
  energyBatteryOf,
  live,
  madeDays,
  samplingSteps,
  skyAt,
  wattHoursOf,
  type Lived,
  type Load,
  type Made,
  type Plant,
} from '../../agent/power/power.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { bestValue } from './clairvoyant.js'

export interface Place {
  readonly latitude: number
  readonly panelWatts: number
  readonly batteryWattHours: number
}

/** Panels with which running without pause runs dry in some years of a hundred. */
export const modestPlaces: readonly Place[] = [
  { latitude: 10, panelWatts: 21, batteryWattHours: 480 },
  { latitude: 34, panelWatts: 62, batteryWattHours: 480 },
  { latitude: 52, panelWatts: 200, batteryWattHours: 960 },
  { latitude: 62, panelWatts: 713, batteryWattHours: 1440 },
]

export const load: Load = { boardWattHours: 36, sensorWattHours: 12 }

export interface PowerYears {
  readonly place: Place
  readonly seed: number
  readonly fixed: Lived
  readonly plan: Lived
  readonly heartbeat: Lived
  /** Used minutes, each hour's by their square root, as a share of what foresight would have had. */
  readonly fixedShare: number
  readonly planShare: number
}

export const plantAt = ({ panelWatts, batteryWattHours }: Place): Plant => ({
  panelWatts,
  batteryWattHours,
  chemistry: chemistries.lifepo4,
  celsius: 0,
})

export function madeAt({ latitude }: Place, years: number, seed: number): Made {
  const sky = skyAt(latitude, Math.min(75, latitude + 15))
  return { sky, days: madeDays(sky, years, seededRandom(seed)) }
}

export function powerYears(place: Place, years: number, seed: number, steps: number): PowerYears {
  const made = madeAt(place, years, seed)
  const plant = plantAt(place)
  const [fixed, plan, heartbeat] = (['continuous', 'stepping', 'heartbeat'] as const).map((step) =>
    live(plant, load, made, step),
  )
  const best = bestPerHour(plant, made, steps)
  const shares = { fixedShare: valuePerHour(fixed) / best, planShare: valuePerHour(plan) / best }
  return { place, seed, fixed, plan, heartbeat, ...shares }
}

/** Warm-up is left out, here and there. */
const valueOf = (sensorShare: number): number => Math.sqrt(60 * sensorShare)

const valuePerHour = ({ stepShares }: Lived): number =>
  samplingSteps.reduce((sum, { step, sensorShare }) => sum + stepShares[step] * valueOf(sensorShare), 0)

export function bestPerHour(plant: Plant, made: Made, steps: number): number {
  const battery = energyBatteryOf(plant)
  const panelWattHours = hourlyPanel(plant, made)
  const choices = samplingSteps.map(({ step, sensorShare }) => ({
    loadWattHours: dailyWattHours(load.boardWattHours, load.sensorWattHours, step) / 24,
    value: valueOf(sensorShare),
  }))
  const startWattHours = battery.capacityWattHours
  return bestValue({ battery, startWattHours, panelWattHours, choices, steps }) / panelWattHours.length
}

function hourlyPanel({ panelWatts }: Plant, { sky, days }: Made): Float64Array {
  const hours = new Float64Array(days.light.length * 24)
  for (let i = 0; i < hours.length; i++) {
    const [day, hour] = [Math.floor(i / 24), i % 24]
    const month = sky[days.months[day]]
    hours[i] = wattHoursOf(
      days.plane[day] * month.plane[hour] + days.level[day] * month.level[hour],
      panelWatts,
    )
  }
  return hours
}

/** The smallest panel with which the heartbeat alone comes through all years without a brown-out. */
export function leanestPanel(place: Place, made: Made): number {
  const lasts = (panelWatts: number): boolean => {
    const lived = live({ ...plantAt(place), panelWatts }, load, made, 'heartbeat')
    return lived.yearsWithoutLoss === lived.years
  }
  let [low, high] = [1, 2000]
  while (high - low > 1) {
    const middle = Math.floor((low + high) / 2)
    if (lasts(middle)) high = middle
    else low = middle
  }
  return high
}

const percent = (share: number): string => `${(100 * share).toFixed(1)} %`

/** As the README has it. */
export const tableHead =
  '| latitude | panel, battery | continuous | protecting | heartbeat alone | full hours | sampled hours | of foresight |'

export function tableRow({ place, fixed, plan, heartbeat, planShare }: PowerYears): string {
  const cells = [
    place.latitude,
    `${place.panelWatts} W, ${place.batteryWattHours} Wh`,
    ...[fixed, plan, heartbeat].map((lived) => lived.yearsWithoutLoss),
    percent(plan.stepShares.continuous),
    percent(plan.stepShares['5-of-15']),
    percent(planShare),
  ]
  return `| ${cells.join(' | ')} |`
}
