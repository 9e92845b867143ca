/**
 * The light of many made years on a panel: months by geometry and clearness, days by chance. Clearness is the share of the
 * light above the air that reaches a level plane in a day.
 */
import type { Random } from '../terms/terms.js'
import { diffuseShareOfHour } from './sky.js'
import { cosDeg, cosZenith, declinationCooper, distanceFactor, sinDeg, solarConstant } from './sun.js'

/** The day of each month that stands for it (Klein, Solar Energy 19 (1977) 325, from memory). */
const middleDays = [17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344]
export const daysInMonths = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
export const yearDays = 365

export interface MonthSky {
  /** Wh/m² above the air in each hour of solar time: on the level, and on the panel's plane. */
  readonly level: readonly number[]
  readonly plane: readonly number[]
  readonly levelDay: number
  /** Mean of the month. */
  readonly clearness: number
  /** What the panel sees of the sky's and of the ground's light, as shares of the level plane's. */
  readonly skyShare: number
  readonly groundShare: number
}

export type Sky = readonly MonthSky[]

/** Bare ground and grass; snow would give more. */
const groundReflectance = 0.2

/**
 * Clearness where nobody measured: 0.52 with the sun overhead, less as the noon sun stands lower. Our own assumption, rather
 * cloudy: right for wet mid-latitudes, too careful for deserts.
 */
export const assumedClearness = (latitude: number, dayOfYear: number): number => {
  const noon = cosZenith(latitude, declinationCooper(dayOfYear), 0)
  return 0.22 + 0.3 * Math.max(0, noon)
}

/** A plane that faces the equator is level at another latitude. */
const latitudeOfPlane = (latitude: number, tilt: number): number =>
  latitude >= 0 ? latitude - tilt : latitude + tilt

const partsOfHour = 12

/** Wh/m² above the air in one hour on level and plane, while the sun is up. */
function aboveTheAir(
  latitude: number,
  tilt: number,
  day: number,
  hour: number,
): { level: number; plane: number } {
  const declination = declinationCooper(day)
  const watts = solarConstant * distanceFactor(day)
  let [level, plane] = [0, 0]
  for (let part = 0; part < partsOfHour; part++) {
    const angle = (hour + (part + 0.5) / partsOfHour - 12) * 15
    const up = cosZenith(latitude, declination, angle)
    if (up <= 0) continue
    level += (watts * up) / partsOfHour
    plane +=
      (watts * Math.max(0, cosZenith(latitudeOfPlane(latitude, tilt), declination, angle))) / partsOfHour
  }
  return { level, plane }
}

const hoursOfDay = Array.from({ length: 24 }, (_, hour) => hour)
const sum = (values: readonly number[]): number => values.reduce((total, value) => total + value, 0)

/**
 * @param insolation kWh/m² a day on the level plane, January to December; without it clearness is assumed
 */
export function skyAt(latitude: number, tilt: number, insolation?: readonly number[]): Sky {
  return middleDays.map((day, month) => {
    const hours = hoursOfDay.map((hour) => aboveTheAir(latitude, tilt, day, hour))
    const level = hours.map((hour) => hour.level)
    const levelDay = sum(level)
    const measured = insolation && levelDay > 0 ? (1000 * insolation[month]) / levelDay : undefined
    return {
      level,
      plane: hours.map((hour) => hour.plane),
      levelDay,
      clearness: measured ?? assumedClearness(latitude, day),
      skyShare: (1 + cosDeg(tilt)) / 2,
      groundShare: (groundReflectance * (1 - cosDeg(tilt))) / 2,
    }
  })
}

/** Where only the light on the panel's own plane is known (kWh/m² a day): days of 12 h and middling clearness. */
export function skyOfPlane(insolation: readonly number[]): Sky {
  const clearness = 0.5
  const shape = hoursOfDay.map((hour) => Math.max(0, sinDeg((hour + 0.5 - 6) * 15)))
  return insolation.map((day) => {
    const level = shape.map((share) => (share * 1000 * day) / sum(shape) / clearness)
    return { level, plane: level, levelDay: sum(level), clearness, skyShare: 1, groundShare: 0 }
  })
}

/** No day is darker or clearer than these. */
const darkest = 0.05
export const clearest = 0.78

/**
 * Clearness of a day by its rank in the month (0 darkest, 1 clearest): a power curve between the darkest and the clearest
 * day that has the month's mean. Own definition, simpler than the published curves.
 */
export function clearnessOfRank(mean: number, rank: number): number {
  const inside = Math.max(darkest + 0.01, Math.min(clearest - 0.01, mean))
  const power = (clearest - darkest) / (inside - darkest) - 1
  return darkest + (clearest - darkest) * rank ** power
}

/** Factors on `plane` and `level` of a month that give Wh/m² on the panel for a day's clearness (isotropic sky). */
export function lightFactors(month: MonthSky, clearness: number): { plane: number; level: number } {
  const diffuse = diffuseShareOfHour(clearness)
  return {
    plane: clearness * (1 - diffuse),
    level: clearness * (diffuse * month.skyShare + month.groundShare),
  }
}

/** Wh/m² on the panel in a day. */
export function lightOfDay(month: MonthSky, clearness: number): number {
  const factors = lightFactors(month, clearness)
  return factors.plane * sum(month.plane) + factors.level * month.levelDay
}

export interface MadeDays {
  readonly months: Uint8Array
  /** Factors by day, as `lightFactors` gives them. */
  readonly plane: Float64Array
  readonly level: Float64Array
  /** Wh/m² on the panel by day. */
  readonly light: Float64Array
}

/** How much of a day's sky goes on from the day before, and how much a whole month shares (own choice: dark spells last). */
const dayToDay = 0.45
const monthWeight = 0.35

/** Days of `years` made years. The same random numbers give the same years. */
export function madeDays(sky: Sky, years: number, random: Random): MadeDays {
  const count = years * yearDays
  const days = {
    months: new Uint8Array(count),
    plane: new Float64Array(count),
    level: new Float64Array(count),
    light: new Float64Array(count),
  }
  let [day, carried] = [0, normal(random)]
  for (let month = 0; day < count; month = (month + 1) % 12) {
    const common = normal(random)
    for (let i = 0; i < daysInMonths[month]; i++, day++) {
      carried = dayToDay * carried + Math.sqrt(1 - dayToDay ** 2) * normal(random)
      const score = Math.sqrt(1 - monthWeight ** 2) * carried + monthWeight * common
      const clearness = clearnessOfRank(sky[month].clearness, rankOf(score))
      const factors = lightFactors(sky[month], clearness)
      days.months[day] = month
      days.plane[day] = factors.plane
      days.level[day] = factors.level
      days.light[day] = lightOfDay(sky[month], clearness)
    }
  }
  return days
}

/** Standard normal, Box and Muller 1958. */
const normal = (random: Random): number =>
  Math.sqrt(-2 * Math.log(1 - random.next())) * Math.cos(2 * Math.PI * random.next())

/** Share of a standard normal below a score, within 0.0002. */
const rankOf = (score: number): number =>
  0.5 * (1 + Math.tanh(Math.sqrt(2 / Math.PI) * (score + 0.044715 * score ** 3)))

/** Wh/m² on the panel in the mean day of each month. */
export function monthlyLight(days: MadeDays): number[] {
  const totals = Array.from({ length: 12 }, () => ({ light: 0, days: 0 }))
  days.light.forEach((light, day) => {
    totals[days.months[day]].light += light
    totals[days.months[day]].days++
  })
  return totals.map(({ light, days: count }) => light / Math.max(1, count))
}

/** Wh/m² a day over a week, which only one week of ten in that month falls short of. */
export function badSpellLight(days: MadeDays): number[] {
  const weeks: number[][] = Array.from({ length: 12 }, () => [])
  for (let day = 0; day + 7 <= days.light.length; day++)
    weeks[days.months[day]].push(sum([...days.light.subarray(day, day + 7)]) / 7)
  return weeks.map((means) => means.sort((a, b) => a - b)[Math.floor(means.length / 10)] ?? 0)
}
