/**
 * The weather of a made site, a pure function of time and seed. Time is in seconds of local standard time from a midnight
 * (`siteSeconds`, below zero before it). Plausible, not physical: enough that wind explains dust, that fog follows a clear
 * night and that a battery feels a cloudy day.
 */
import { bump, hashUniform, smoothStep, wander } from './noise.js'

/** What kind of day it is; everything else follows. */
export interface MadeDay {
  /** 0 clear, 1 overcast. */
  readonly cloudShare: number
  readonly windFromDegrees: number
  readonly windMetresPerSecond: number
  readonly fogInTheMorning: boolean
}

export interface WeatherPlan {
  readonly seed: number
  readonly meanTemperature: number
  readonly dewPoint: number
  /** The days told beforehand, by number from 0; all others are drawn from the seed. */
  readonly days: Readonly<Record<number, MadeDay>>
}

export interface Weather {
  readonly windFromDegrees: number
  readonly windMetresPerSecond: number
  readonly temperature: number
  readonly humidityPercent: number
  /** 0 at night, 1 with a clear sky at noon. */
  readonly sunShare: number
}

export const daySeconds = 86_400
export const hourOf = (siteSeconds: number): number =>
  (siteSeconds - Math.floor(siteSeconds / daySeconds) * daySeconds) / 3600

/** Hours of the night that still belong to the day before, in weather. */
const turnsWithinHours = 2

function dayOf({ days, seed }: WeatherPlan, day: number): MadeDay {
  const told = days[day]
  if (told) return told
  const chance = (n: number): number => hashUniform(seed + 11, day * 8 + n)
  const cloudShare = chance(0)
  const windMetresPerSecond = 1 + 4 * chance(1)
  const fogInTheMorning = cloudShare < 0.4 && windMetresPerSecond < 2 && chance(3) < 0.5
  return { cloudShare, windFromDegrees: 360 * chance(2), windMetresPerSecond, fogInTheMorning }
}

/** One day's figure passes into the next around midnight. */
function blended(siteSeconds: number, of: (day: number) => number): number {
  const day = Math.floor(siteSeconds / daySeconds)
  const hour = hourOf(siteSeconds)
  const today = of(day)
  if (hour < turnsWithinHours)
    return of(day - 1) + (today - of(day - 1)) * (0.5 + 0.5 * smoothStep(0, turnsWithinHours, hour))
  const left = 24 - hour
  if (left >= turnsWithinHours) return today
  return today + (of(day + 1) - today) * (0.5 - 0.5 * smoothStep(0, turnsWithinHours, left))
}

export function weatherAt(plan: WeatherPlan, siteSeconds: number): Weather {
  const { seed } = plan
  const hour = hourOf(siteSeconds)
  const cloud = blended(siteSeconds, (day) => dayOf(plan, day).cloudShare)
  const today = dayOf(plan, Math.floor(siteSeconds / daySeconds))
  const fog = today.fogInTheMorning ? bump(4.5, 8, 1, hour) : 0
  const swing = (7 - 5 * cloud) * Math.cos(((hour - 15) / 12) * Math.PI)
  const temperature = plan.meanTemperature + swing + wander(seed + 1, siteSeconds, 5400)
  const dry = relativeHumidity(temperature, plan.dewPoint) + 2 * wander(seed + 2, siteSeconds, 1800)
  const humidity = dry + (98 + wander(seed + 3, siteSeconds, 900) - dry) * fog
  const calm = 1 - 0.6 * fog
  const daily = 0.65 + 0.35 * Math.cos(((hour - 14) / 12) * Math.PI)
  const speed = blended(siteSeconds, (day) => dayOf(plan, day).windMetresPerSecond)
  const gust = 1 + 0.25 * wander(seed + 4, siteSeconds, 40)
  return {
    windFromDegrees: windFrom(plan, siteSeconds),
    windMetresPerSecond: Math.max(0.3, speed * daily * calm * gust),
    temperature,
    humidityPercent: Math.max(15, Math.min(99.5, humidity)),
    sunShare: clearSky(hour) * (1 - 0.88 * cloud) * (1 - 0.6 * fog),
  }
}

/** The day's direction, wandering by some 15 degrees; the turn from day to day is blended as north and east. */
function windFrom(plan: WeatherPlan, siteSeconds: number): number {
  const part = (of: (radians: number) => number): number =>
    blended(siteSeconds, (day) => of((dayOf(plan, day).windFromDegrees / 180) * Math.PI))
  const mean = (Math.atan2(part(Math.sin), part(Math.cos)) / Math.PI) * 180
  const veering = 12 * wander(plan.seed + 5, siteSeconds, 1500) + 8 * wander(plan.seed + 6, siteSeconds, 60)
  return (mean + veering + 720) % 360
}

const sunrise = 6.4
const sunset = 17.8

function clearSky(hour: number): number {
  const share = (hour - sunrise) / (sunset - sunrise)
  return share > 0 && share < 1 ? Math.sin(Math.PI * share) ** 1.3 : 0
}

/** From the dew point, by the Magnus formula (constants 17.62 and 243.12 °C as in WMO guide no. 8; from memory). */
function relativeHumidity(temperature: number, dewPoint: number): number {
  const pressure = (celsius: number): number => Math.exp((17.62 * celsius) / (243.12 + celsius))
  return Math.min(100, (100 * pressure(dewPoint)) / pressure(temperature))
}
