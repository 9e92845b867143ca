/** Where the sun stands, and how much of it arrives above the air. Angles in degrees unless a name says otherwise. */
import type { UtcMillis } from '../terms/terms.js'

export const radians = (degrees: number): number => (degrees * Math.PI) / 180
export const degrees = (angle: number): number => (angle * 180) / Math.PI
export const sinDeg = (angle: number): number => Math.sin(radians(angle))
export const cosDeg = (angle: number): number => Math.cos(radians(angle))
const clamped = (value: number, lowest: number, highest: number): number =>
  Math.max(lowest, Math.min(highest, value))
const turned = (angle: number): number => ((angle % 360) + 360) % 360

export interface SunPosition {
  /** Above the horizon, seen from the ground (parallax taken off), without refraction. */
  readonly elevationDegrees: number
  /** The same as the air bends it. */
  readonly apparentElevationDegrees: number
  /** From north, clockwise. */
  readonly azimuthDegrees: number
  readonly declinationDegrees: number
  /** West positive. */
  readonly hourAngleDegrees: number
  readonly distanceAu: number
  /** Sundial minus clock. */
  readonly equationOfTimeMinutes: number
}

/** Air at the place; it matters for refraction only. */
export interface AirAtPlace {
  readonly hectopascals: number
  readonly celsius: number
}

export const julianDay = (at: UtcMillis): number => at / 86_400_000 + 2_440_587.5

/** Seconds that clocks by the earth's turning run behind even time, as of these years. */
const deltaTSeconds = 69

interface Orbit {
  readonly meanLongitude: number
  readonly apparentLongitude: number
  readonly obliquity: number
  readonly nutation: number
  readonly distanceAu: number
}

/** Meeus, Astronomical Algorithms, chapter 25 (the shorter theory, good to 0.01 degrees); constants from memory. */
function orbitAt(dynamicalDay: number): Orbit {
  const t = (dynamicalDay - 2_451_545) / 36_525
  const meanLongitude = turned(280.46646 + t * (36_000.76983 + t * 0.0003032))
  const anomaly = 357.52911 + t * (35_999.05029 - t * 0.0001537)
  const eccentricity = 0.016708634 - t * (0.000042037 + t * 0.0000001267)
  const centre =
    (1.914602 - t * (0.004817 + t * 0.000014)) * sinDeg(anomaly) +
    (0.019993 - t * 0.000101) * sinDeg(2 * anomaly) +
    0.000289 * sinDeg(3 * anomaly)
  const node = 125.04452 - 1934.136261 * t
  const nutation = -0.00478 * sinDeg(node) - 0.00037 * sinDeg(2 * meanLongitude)
  const distanceAu = (1.000001018 * (1 - eccentricity ** 2)) / (1 + eccentricity * cosDeg(anomaly + centre))
  return {
    meanLongitude,
    apparentLongitude: meanLongitude + centre - 0.00569 / distanceAu + nutation,
    obliquity: 23.4392911 - 0.0130042 * t + 0.00256 * cosDeg(node),
    nutation,
    distanceAu,
  }
}

/**
 * Position of the sun, good to about 0.01 degrees from 1950 to 2050 (checked against the worked example of Reda and
 * Andreas, Solar Energy 76 (2004) 577-589, and a library).
 * @param longitudeDegrees east positive
 */
export function sunPosition(
  at: UtcMillis,
  latitudeDegrees: number,
  longitudeDegrees: number,
  air: AirAtPlace = { hectopascals: 1010, celsius: 10 },
): SunPosition {
  const day = julianDay(at)
  const orbit = orbitAt(day + deltaTSeconds / 86_400)
  const { apparentLongitude, obliquity, distanceAu } = orbit
  const ascension = turned(
    degrees(Math.atan2(cosDeg(obliquity) * sinDeg(apparentLongitude), cosDeg(apparentLongitude))),
  )
  const declinationDegrees = degrees(Math.asin(sinDeg(obliquity) * sinDeg(apparentLongitude)))
  const sidereal = 280.46061837 + 360.98564736629 * (day - 2_451_545) + orbit.nutation * cosDeg(obliquity)
  const hourAngleDegrees = turned(sidereal + longitudeDegrees - ascension + 180) - 180
  const seen = fromGround(latitudeDegrees, declinationDegrees, hourAngleDegrees, distanceAu)
  return {
    ...seen,
    apparentElevationDegrees: seen.elevationDegrees + refractionDegrees(seen.elevationDegrees, air),
    declinationDegrees,
    hourAngleDegrees,
    distanceAu,
    equationOfTimeMinutes:
      4 *
      (turned(orbit.meanLongitude - 0.0057183 - ascension + orbit.nutation * cosDeg(obliquity) + 180) - 180),
  }
}

/** Elevation and azimuth; the parallax of the sun is at most 0.0024 degrees. */
function fromGround(
  latitude: number,
  declination: number,
  hourAngle: number,
  distanceAu: number,
): Pick<SunPosition, 'elevationDegrees' | 'azimuthDegrees'> {
  const sine = clamped(cosZenith(latitude, declination, hourAngle), -1, 1)
  const parallax = (8.794 / 3600 / distanceAu) * Math.sqrt(1 - sine ** 2)
  const azimuth = degrees(
    Math.atan2(
      sinDeg(hourAngle),
      cosDeg(hourAngle) * sinDeg(latitude) - Math.tan(radians(declination)) * cosDeg(latitude),
    ),
  )
  return { elevationDegrees: degrees(Math.asin(sine)) - parallax, azimuthDegrees: turned(azimuth + 180) }
}

/** Saemundsson's formula (Meeus, chapter 16, from memory); nothing once the sun is below the horizon. */
export function refractionDegrees(elevation: number, { hectopascals, celsius }: AirAtPlace): number {
  if (elevation < -0.8333) return 0
  const minutes = 1.02 / Math.tan(radians(elevation + 10.3 / (elevation + 5.11)))
  return (minutes / 60) * (hectopascals / 1010) * (283 / (273 + celsius))
}

export interface SunDay {
  readonly transit: UtcMillis
  /** Absent where the sun does not set or does not rise that day. */
  readonly rise?: UtcMillis
  readonly set?: UtcMillis
}

const horizonDegrees = -0.8333

/** Upper edge of the sun at the horizon, for the day whose solar noon is nearest to `near`. */
export function sunDay(near: UtcMillis, latitudeDegrees: number, longitudeDegrees: number): SunDay {
  const at = (time: number): SunPosition => sunPosition(time as UtcMillis, latitudeDegrees, longitudeDegrees)
  const degreeMillis = 240_000
  let transit: number = near
  for (let i = 0; i < 3; i++) transit -= at(transit).hourAngleDegrees * degreeMillis
  const crossing = (side: -1 | 1): UtcMillis | undefined => {
    let time = transit
    for (let i = 0; i < 5; i++) {
      const { declinationDegrees, hourAngleDegrees } = at(time)
      const half = halfDayDegrees(latitudeDegrees, declinationDegrees, horizonDegrees)
      if (half <= 0 || half >= 180) return undefined
      time += (side * half - hourAngleDegrees) * degreeMillis
    }
    return time as UtcMillis
  }
  return { transit: transit as UtcMillis, rise: crossing(-1), set: crossing(1) }
}

// ---- the simple formulas of the trade, by day of the year --------------------------------------------------------------

/** Cooper, Solar Energy 12 (1969) 333-346. */
export const declinationCooper = (dayOfYear: number): number =>
  23.45 * sinDeg((360 * (284 + dayOfYear)) / 365)

const dayAngle = (dayOfYear: number): number => (2 * Math.PI * (dayOfYear - 1)) / 365

/** Spencer, Search 2 (1971) 172. */
export function declinationSpencer(dayOfYear: number): number {
  const b = dayAngle(dayOfYear)
  return degrees(
    0.006918 -
      0.399912 * Math.cos(b) +
      0.070257 * Math.sin(b) -
      0.006758 * Math.cos(2 * b) +
      0.000907 * Math.sin(2 * b) -
      0.002697 * Math.cos(3 * b) +
      0.00148 * Math.sin(3 * b),
  )
}

/** Minutes, sundial minus clock (Spencer 1971); up to 0.8 min off. */
export function equationOfTimeSpencer(dayOfYear: number): number {
  const b = dayAngle(dayOfYear)
  const series =
    0.000075 +
    0.001868 * Math.cos(b) -
    0.032077 * Math.sin(b) -
    0.014615 * Math.cos(2 * b) -
    0.04089 * Math.sin(2 * b)
  return 229.18 * series
}

/** Solar time in hours from standard time; longitudes east positive. */
export const solarHours = (
  standardHours: number,
  dayOfYear: number,
  meridianDegrees: number,
  longitudeDegrees: number,
): number =>
  standardHours + (4 * (longitudeDegrees - meridianDegrees) + equationOfTimeSpencer(dayOfYear)) / 60

/** Cosine of the angle between sun and zenith; hour angle west positive. */
export const cosZenith = (latitude: number, declination: number, hourAngle: number): number =>
  sinDeg(latitude) * sinDeg(declination) + cosDeg(latitude) * cosDeg(declination) * cosDeg(hourAngle)

/** Azimuth from south, west positive. */
export const azimuthFromSouth = (latitude: number, declination: number, hourAngle: number): number =>
  degrees(
    Math.atan2(
      sinDeg(hourAngle),
      cosDeg(hourAngle) * sinDeg(latitude) - Math.tan(radians(declination)) * cosDeg(latitude),
    ),
  )

/**
 * Cosine of the angle between the sun and the normal of a tilted plane (Duffie and Beckman, equation 1.6.2, from memory).
 * @param facing degrees from south, west positive
 */
export function cosIncidence(
  latitude: number,
  declination: number,
  hourAngle: number,
  slope: number,
  facing: number,
): number {
  const [sinLat, cosLat] = [sinDeg(latitude), cosDeg(latitude)]
  const [sinDec, cosDec] = [sinDeg(declination), cosDeg(declination)]
  const [sinSlope, cosSlope] = [sinDeg(slope), cosDeg(slope)]
  return (
    sinDec * (sinLat * cosSlope - cosLat * sinSlope * cosDeg(facing)) +
    cosDec * cosDeg(hourAngle) * (cosLat * cosSlope + sinLat * sinSlope * cosDeg(facing)) +
    cosDec * sinSlope * sinDeg(facing) * sinDeg(hourAngle)
  )
}

/** Hour angle at which the sun reaches an elevation; 0 where it stays below all day, 180 where it stays above. */
export function halfDayDegrees(latitude: number, declination: number, elevation = 0): number {
  const across = cosDeg(latitude) * cosDeg(declination)
  const along = sinDeg(elevation) - sinDeg(latitude) * sinDeg(declination)
  if (Math.abs(across) < 1e-12) return along > 0 ? 0 : 180
  return degrees(Math.acos(clamped(along / across, -1, 1)))
}

export const dayLengthHours = (sunsetHourAngle: number): number => (2 * sunsetHourAngle) / 15

/** W/m² above the air at the mean distance, as the reference examples have it (1361 by later measurement, 0.4 % less). */
export const solarConstant = 1367

/** How much nearer the sun is: factor on the solar constant. */
export const distanceFactor = (dayOfYear: number): number => 1 + 0.033 * cosDeg((360 * dayOfYear) / 365)

/** Wh/m² on a level plane above the air in one day (Duffie and Beckman, equation 1.10.3, from memory). */
export function extraterrestrialDay(
  latitude: number,
  declination: number,
  dayOfYear: number,
  wattsPerM2 = solarConstant,
): number {
  return extraterrestrialSpan(latitude, declination, dayOfYear, -180, 180, wattsPerM2)
}

/** The same between two hour angles; what of them is night counts nothing. */
export function extraterrestrialSpan(
  latitude: number,
  declination: number,
  dayOfYear: number,
  fromHourAngle: number,
  toHourAngle: number,
  wattsPerM2 = solarConstant,
): number {
  const half = halfDayDegrees(latitude, declination)
  const from = clamped(fromHourAngle, -half, half)
  const to = clamped(toHourAngle, -half, half)
  const along = radians(to - from) * sinDeg(latitude) * sinDeg(declination)
  const across = cosDeg(latitude) * cosDeg(declination) * (sinDeg(to) - sinDeg(from))
  return (12 / Math.PI) * wattsPerM2 * distanceFactor(dayOfYear) * (along + across)
}
