/**
 * The invented quarry and the air around it: a background that everybody breathes, lorries on a haul road in working
 * hours, and wind that carries their dust to whoever stands downwind. A pure function of time, place and seed.
 */
import { bump, hashUniform, wander } from './noise.js'
import { hourOf, weatherAt, type Weather, type WeatherPlan } from './made-weather.js'

export interface MadeSpan {
  readonly from: number
  readonly to: number
}

export interface QuarryPlan {
  readonly seed: number
  readonly weather: WeatherPlan
  /** Hours of a day in which lorries drive. */
  readonly shifts: readonly (readonly [fromHour: number, toHour: number])[]
  /** Days without work, by number. */
  readonly restDays: readonly number[]
  /** While the haul road is not watered it gives so many times its usual dust. */
  readonly dryRoad: readonly (MadeSpan & { readonly times: number })[]
}

export interface Place {
  /** Seen from the haul road. */
  readonly bearingDegrees: number
  readonly distanceMetres: number
  /** Humidity here against the site's, % of relative humidity: a hollow is damper than a slope. */
  readonly damper: number
  /** Somebody or something raises dust right at the inlet; coarse mass in µg/m³. */
  readonly stirred: readonly (MadeSpan & { readonly coarse: number })[]
}

/** Mass concentrations of the air itself, µg/m³. */
export interface MadeAir {
  readonly pm1: number
  readonly pm2_5: number
  readonly pm10: number
}

/** One lorry may pass in each of these. */
const slotSeconds = 180
const passShare = 0.85
const passesLookedAt = 5
const usualCoarse = 30
const plumeHalfWidthDegrees = 24
const referenceMetres = 200
const referenceWind = 4

const isWorking = ({ shifts, restDays }: QuarryPlan, siteSeconds: number): boolean => {
  const hour = hourOf(siteSeconds)
  return (
    !restDays.includes(Math.floor(siteSeconds / 86_400)) &&
    shifts.some(([from, to]) => hour >= from && hour < to)
  )
}

/** Dust over the haul road as passes raise it and wind takes it away: two thirds on the average of a shift, none at night. */
export function trafficAt(plan: QuarryPlan, siteSeconds: number): number {
  let raised = 0
  const slot = Math.floor(siteSeconds / slotSeconds)
  for (let n = slot - passesLookedAt; n <= slot; n++) {
    if (hashUniform(plan.seed + 21, n) >= passShare) continue
    const at = (n + hashUniform(plan.seed + 22, n)) * slotSeconds
    const age = siteSeconds - at
    if (age > 0 && isWorking(plan, at)) raised += (1 - Math.exp(-age / 20)) * Math.exp(-age / 160)
  }
  return raised
}

/** Share of the plume that reaches a place: all when the wind comes straight from the road, little from elsewhere. */
export function plumeShare(place: Place, weather: Weather): number {
  const away = ((weather.windFromDegrees + 180 - place.bearingDegrees + 540) % 360) - 180
  const across = Math.exp(-0.5 * (away / plumeHalfWidthDegrees) ** 2)
  const thinned = (referenceMetres / place.distanceMetres) ** 0.9
  return across * thinned * (referenceWind / Math.max(1, weather.windMetresPerSecond)) ** 0.5
}

export function airAt(plan: QuarryPlan, place: Place, siteSeconds: number): MadeAir {
  const weather = weatherAt(plan.weather, siteSeconds)
  const times = plan.dryRoad.find(({ from, to }) => siteSeconds >= from && siteSeconds < to)?.times ?? 1
  const carried = usualCoarse * times * trafficAt(plan, siteSeconds) * plumeShare(place, weather)
  const stirred = place.stirred.find(({ from, to }) => siteSeconds >= from && siteSeconds < to)?.coarse ?? 0
  const blown = 3 + 0.6 * weather.windMetresPerSecond
  const coarse = blown + carried + stirred
  const fine = backgroundAt(plan.seed, siteSeconds) + 0.1 * coarse
  return { pm1: fine * 0.7, pm2_5: fine, pm10: fine * 1.05 + coarse }
}

/** Fine mass of the region: wanders through the day, with the traffic of a town morning and evening. */
function backgroundAt(seed: number, siteSeconds: number): number {
  const hour = hourOf(siteSeconds)
  const town = 2.5 * (bump(6.8, 8.5, 1, hour) + bump(17, 20, 1.5, hour))
  return 6.5 + 2 * wander(seed + 31, siteSeconds, 14_400) + 0.5 * wander(seed + 32, siteSeconds, 600) + town
}
