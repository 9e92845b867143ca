/** What arrives through the air on a level and on a tilted plane. W/m² and Wh/m²; angles in degrees. */
import { cosDeg, cosZenith, declinationCooper, halfDayDegrees, radians, sinDeg } from './sun.js'

/** W/m² on a level plane under a clear sky (Haurwitz 1945, as solar libraries have it). */
export const clearSkyWatts = (cosineOfZenith: number): number =>
  cosineOfZenith > 0 ? 1098 * cosineOfZenith * Math.exp(-0.059 / cosineOfZenith) : 0

/** Wh/m² on a level plane in one clear day, summed by minutes of solar time. */
export function clearSkyDay(latitude: number, dayOfYear: number): number {
  const declination = declinationCooper(dayOfYear)
  let sum = 0
  for (let minute = 0; minute < 1440; minute++)
    sum += clearSkyWatts(cosZenith(latitude, declination, (minute + 0.5) / 4 - 180))
  return sum / 60
}

/**
 * Diffuse share of an hour by its clearness (Erbs, Klein and Duffie, Solar Energy 28 (1982) 293-302; coefficients from
 * memory, they reproduce a printed example).
 */
export function diffuseShareOfHour(clearness: number): number {
  const k = clearness
  if (k <= 0.22) return 1 - 0.09 * k
  if (k > 0.8) return 0.165
  return 0.9511 - 0.1604 * k + 4.388 * k ** 2 - 16.638 * k ** 3 + 12.336 * k ** 4
}

/** Diffuse share of a month by its clearness; the same source, in its two seasons. */
export function diffuseShareOfMonth(clearness: number, sunsetHourAngle: number): number {
  const k = Math.max(0.3, Math.min(0.8, clearness))
  return sunsetHourAngle <= 81.4
    ? 1.391 - 3.56 * k + 4.189 * k ** 2 - 2.137 * k ** 3
    : 1.311 - 3.022 * k + 3.427 * k ** 2 - 1.821 * k ** 3
}

export interface TiltedParts {
  readonly beam: number
  readonly diffuse: number
  readonly ground: number
  readonly total: number
}

/**
 * Energy on a tilted plane, with the sky equally bright everywhere (Liu and Jordan 1963).
 * @param total on the level plane, in any unit; the answer is in the same
 * @param diffuse part of it
 * @param beamRatio beam on the tilted over beam on the level plane
 * @param groundReflectance 0.2 is usual for bare ground and grass, 0.6 to 0.7 for snow
 */
export function onTiltedPlane(
  total: number,
  diffuse: number,
  beamRatio: number,
  slope: number,
  groundReflectance: number,
): TiltedParts {
  const beam = (total - diffuse) * beamRatio
  const fromSky = (diffuse * (1 + cosDeg(slope))) / 2
  const ground = (total * groundReflectance * (1 - cosDeg(slope))) / 2
  return { beam, diffuse: fromSky, ground, total: beam + fromSky + ground }
}

/** Beam ratio over a whole day for a plane that faces the equator; 0 where the sun does not rise. */
export function beamRatioOfDay(latitude: number, declination: number, slope: number): number {
  const tilted = latitude >= 0 ? latitude - slope : latitude + slope
  const level = halfDayDegrees(latitude, declination)
  const onPlane = Math.min(level, halfDayDegrees(tilted, declination))
  const part = (lat: number, half: number): number =>
    cosDeg(lat) * cosDeg(declination) * sinDeg(half) + radians(half) * sinDeg(lat) * sinDeg(declination)
  const below = part(latitude, level)
  return below > 1e-9 ? part(tilted, onPlane) / below : 0
}
