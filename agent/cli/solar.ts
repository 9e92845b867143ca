import { writeFileSync } from 'node:fs'
import {
  batteryForAutonomy,
  dailyWattHours,
  daysOfAutonomy,
  live,
  madeDays,
  monthlyLight,
  samplingSteps,
  smallestBattery,
  smallestPanel,
  wattHoursOf,
  type Lived,
  type Made,
  type Plant,
  type SamplingStep,
} from '../power/power.js'
import { seededRandom } from '../simulation/random.js'
import { readSolar, type SolarOptions, type SolarWish } from './solar-input.js'
import { solarSvg } from './solar-svg.js'
import { solarJson, solarText } from './solar-words.js'

export type { SolarOptions } from './solar-input.js'

export interface MonthRow {
  /** kWh/m² a day on the level plane and on the panel; Wh a day from the panel and to the load. */
  readonly level: number
  readonly onPanel: number
  readonly fromPanel: number
  readonly load: number
}

export interface PlanLife {
  readonly plan: SamplingStep | 'stepping'
  readonly dailyWattHours?: number
  readonly lived: Lived
}

/** A panel and a battery, and how they do. */
export interface PlantFound {
  readonly plant: Plant
  readonly daysOfAutonomy: number
  /** Panel's energy over load in the worst month. */
  readonly arrayToLoad: number
  readonly lossPercent: number
}

export interface SolarFound {
  readonly wish: SolarWish
  readonly dailyLoad: number
  /** The one that was named, in full or in part; the rest is what the other asks for. */
  readonly named?: PlantFound & { readonly reached: boolean }
  /** Pairs that reach the wish, from the smallest battery that carries the days on. */
  readonly smallest: readonly PlantFound[]
  /** Of the plant named, or else of the first of the smallest. */
  readonly months: readonly MonthRow[]
  readonly worstMonth: number
  readonly lives: readonly PlanLife[]
}

/** Batteries worth comparing, as multiples of the one that carries the days wished for. */
const largerBatteries = [1, 1.5, 2, 3, 5, 8]
const pairsShown = 3
const upTo = (value: number, step: number): number => Math.ceil(value / step - 1e-9) * step

/**
 * What panel and battery a station needs, and how it would live with them.
 * @returns exit code: 0 the wish is reached, 1 the panel and battery named do not reach it (or none does), 2 wrong use
 */
export function solar(options: SolarOptions): number {
  const read = readSolar(options)
  if (!read.ok) {
    for (const words of read.words) process.stderr.write(`${words}\n`)
    return 2
  }
  const found = solarFound(read.wish)
  process.stdout.write(options.json ? `${JSON.stringify(solarJson(found), null, 2)}\n` : solarText(found))
  if (options.svg !== undefined && !drawn(options.svg, found)) return 2
  return (found.named ? found.named.reached : found.smallest.length > 0) ? 0 : 1
}

/** Never over a file that is there. */
function drawn(file: string, found: SolarFound): boolean {
  if (found.lives.length === 0) {
    process.stderr.write('--svg: without a panel that will do there is nothing to draw\n')
    return false
  }
  try {
    writeFileSync(file, solarSvg(found), { flag: 'wx' })
    return true
  } catch (error) {
    const isThere = (error as NodeJS.ErrnoException).code === 'EEXIST'
    process.stderr.write(`--svg: ${file} ${isThere ? 'is there already' : 'cannot be written'}\n`)
    return false
  }
}

export function solarFound(wish: SolarWish): SolarFound {
  const made = { sky: wish.sky, days: madeDays(wish.sky, wish.years, seededRandom(wish.seed)) }
  const light = monthlyLight(made.days)
  const dailyLoad = dailyWattHours(wish.load.boardWattHours, wish.load.sensorWattHours, wish.plan)
  const judge = (plant: Plant): PlantFound => ({
    plant,
    daysOfAutonomy: daysOfAutonomy(plant, dailyLoad),
    arrayToLoad: wattHoursOf(Math.min(...light), plant.panelWatts) / dailyLoad,
    lossPercent: 100 * live(plant, wish.load, made, wish.plan).lossProbability,
  })
  const smallest = smallestPairs(wish, made, dailyLoad).map(judge)
  const plant = namedPlant(wish, made)
  const named = plant && withVerdict(judge(plant), wish)
  const shown = plant ?? smallest[0]?.plant
  return {
    wish,
    dailyLoad,
    named,
    smallest,
    months: light.map((onPanel, month) => ({
      level: (wish.sky[month].clearness * wish.sky[month].levelDay) / 1000,
      onPanel: onPanel / 1000,
      fromPanel: wattHoursOf(onPanel, shown?.panelWatts ?? 0),
      load: dailyLoad,
    })),
    worstMonth: light.indexOf(Math.min(...light)),
    lives: shown ? lives(shown, wish, made) : [],
  }
}

const withVerdict = (
  found: PlantFound,
  { lossPercent, days }: SolarWish,
): PlantFound & { reached: boolean } => ({
  ...found,
  reached: found.lossPercent <= lossPercent && found.daysOfAutonomy >= days - 0.05,
})

const emptyPlant = ({ chemistry, batteryCelsius }: SolarWish): Plant => ({
  panelWatts: 0,
  batteryWattHours: 0,
  chemistry,
  celsius: batteryCelsius,
})

/** What was named; of a panel alone the battery that goes with it, of a battery alone the panel. */
function namedPlant(wish: SolarWish, made: Made): Plant | undefined {
  const { panelWatts, batteryWattHours, load, plan, days } = wish
  const plant = emptyPlant(wish)
  const share = wish.lossPercent / 100
  if (panelWatts !== undefined && batteryWattHours !== undefined)
    return { ...plant, panelWatts, batteryWattHours }
  if (panelWatts !== undefined) {
    const battery = smallestBattery({ ...plant, panelWatts }, load, made, plan, share, days)
    return battery === undefined ? undefined : { ...plant, panelWatts, batteryWattHours: battery }
  }
  if (batteryWattHours === undefined) return undefined
  const panel = smallestPanel({ ...plant, batteryWattHours }, load, made, plan, share)
  return panel === undefined ? undefined : { ...plant, batteryWattHours, panelWatts: panel }
}

/** A larger battery is worth naming where it lets the panel be smaller by a tenth or more. */
function smallestPairs(wish: SolarWish, made: Made, dailyLoad: number): Plant[] {
  const plant = emptyPlant(wish)
  const least = batteryForAutonomy(plant, dailyLoad, wish.days)
  const pairs: Plant[] = []
  for (const times of largerBatteries) {
    const batteryWattHours = upTo(least * times, 10)
    const panel = smallestPanel(
      { ...plant, batteryWattHours },
      wish.load,
      made,
      wish.plan,
      wish.lossPercent / 100,
    )
    if (panel === undefined) continue
    const panelWatts = upTo(panel, panel > 20 ? 5 : 1)
    const before = pairs[pairs.length - 1]
    if (before && panelWatts > 0.9 * before.panelWatts) continue
    pairs.push({ ...plant, batteryWattHours, panelWatts })
    if (pairs.length === pairsShown) break
  }
  return pairs
}

function lives(plant: Plant, { load }: SolarWish, made: Made): PlanLife[] {
  const fixed = samplingSteps.map(({ step }) => ({
    plan: step,
    dailyWattHours: dailyWattHours(load.boardWattHours, load.sensorWattHours, step),
    lived: live(plant, load, made, step),
  }))
  return [...fixed, { plan: 'stepping', lived: live(plant, load, made, 'stepping') }]
}
