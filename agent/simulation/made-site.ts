/**
 * A made site: weather, a quarry, and stations around it with sensor, gauges and battery.
 *
 * In: a plan and a seed. Out: for each station the bytes of its sensor and the values of its gauges at any time, the same
 * ones whenever and in whatever order they are asked for. Assumed: site time is seconds of local standard time from a
 * midnight. Everything in it is invented; it is for the demo and for tests, never evidence of anything.
 */
import { framesOf10, framesOf32, textLines, type Encoder, type SensorSight } from './frames.js'
import { MadeBattery, type BatteryPlan } from './made-battery.js'
import { airAt, type MadeAir, type MadeSpan, type Place, type QuarryPlan } from './made-quarry.js'
import type { SensorPlan } from './made-sensor.js'
import { weatherAt, type Weather } from './made-weather.js'

export const encoders: readonly Encoder[] = [framesOf32, framesOf10, textLines]

export interface StationPlan {
  readonly name: string
  readonly place: Place
  /** Layout of its sensor, one of `encoders`. */
  readonly layout: string
  readonly battery: BatteryPlan
  readonly badCable: SensorPlan['badCable']
  readonly unplugged: readonly MadeSpan[]
}

export interface SitePlan {
  readonly seed: number
  readonly quarry: QuarryPlan
  readonly poweredFrom: number
  readonly stations: readonly StationPlan[]
}

export interface MadeStation {
  readonly plan: StationPlan
  readonly sensor: SensorPlan
  readonly weather: (siteSeconds: number) => Weather
  readonly air: (siteSeconds: number) => MadeAir
  readonly battery: MadeBattery
}

/** Air and weather hold still for so long; the sensor's noise does not. */
const stillSeconds = 10
const usuallySpoiltShare = 0.001

export function madeStations(plan: SitePlan): MadeStation[] {
  return plan.stations.map((station, i) => {
    const weather = held((at) => weatherIn(station.place, weatherAt(plan.quarry.weather, at)))
    const air = held((at) => airAt(plan.quarry, station.place, at))
    const sensor: SensorPlan = {
      name: `made sensor of ${station.name}`,
      seed: plan.seed + 1000 * (i + 1),
      encoder: encoders.find(({ layout }) => layout === station.layout)!,
      sees: (at) => seen(air(at), weather(at)),
      poweredFrom: plan.poweredFrom,
      spoiltShare: usuallySpoiltShare,
      badCable: station.badCable,
      unplugged: station.unplugged,
    }
    const battery = new MadeBattery(station.battery, (at) => weather(at).sunShare)
    return { plan: station, sensor, weather, air, battery }
  })
}

const weatherIn = ({ damper }: Place, weather: Weather): Weather => ({
  ...weather,
  humidityPercent: Math.min(99.5, weather.humidityPercent + damper),
})

/** Remembers the newest answer: a pure function asked many times for the same ten seconds. */
function held<T>(of: (siteSeconds: number) => T): (siteSeconds: number) => T {
  let at = NaN
  let value: T
  return (siteSeconds) => {
    const still = Math.floor(siteSeconds / stillSeconds) * stillSeconds
    if (still !== at) value = of(still)
    at = still
    return value
  }
}

/** Fine particles swell in humid air, and an optical sensor takes the water for dust; the box is warmer than the air. */
function seen(air: MadeAir, { humidityPercent, temperature }: Weather): SensorSight {
  const swollen = Math.min(4, 1 + (0.06 * humidityPercent) / (100 - humidityPercent))
  const pm2_5 = air.pm2_5 * swollen
  return {
    pm1: air.pm1 * swollen,
    pm2_5,
    pm10: pm2_5 + Math.max(0, air.pm10 - air.pm2_5),
    temperature: temperature + 4,
    humidityPercent: humidityPercent * 0.8,
  }
}
