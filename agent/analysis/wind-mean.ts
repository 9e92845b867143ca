/**
 * Mean wind of a time, by vectors: 350° and 10° are north, not south. Resultant and unit-vector means as in EPA-454/R-99-005,
 * 6.2.1 and 6.2.2; spread of direction by the single pass of Yamartino (1984, J. Clim. Appl. Meteorol. 23, 1362-1366).
 */
export interface WindSample {
  /** Where the wind comes from, degrees clockwise from north. */
  readonly fromDegrees: number
  /** m/s. */
  readonly speed: number
  /** Seconds it stands for, or any other weight; 1 where absent. */
  readonly weight?: number
}

export interface WindMean {
  readonly samples: number
  /** Of the vectors: where the air came from, 0 to below 360; undefined where they cancel out or there was no wind. */
  readonly resultantDegrees?: number
  /** Length of the mean vector, m/s. */
  readonly resultantSpeed: number
  /** The same with every direction alike, whatever its speed. */
  readonly unitVectorDegrees?: number
  /** Mean of the speeds, m/s. */
  readonly scalarSpeed: number
  /** Spread of directions, degrees. */
  readonly sigmaDegrees: number
}

const perDegree = Math.PI / 180
/** Below this share of what the samples could sum up to, a direction is noise of the arithmetic. */
const cancelled = 1e-9

/** Undefined without samples. */
export function windMean(samples: Iterable<WindSample>): WindMean | undefined {
  const sum = { count: 0, weight: 0, speed: 0, east: 0, north: 0, sin: 0, cos: 0 }
  for (const { fromDegrees, speed, weight = 1 } of samples) {
    const [sin, cos] = [Math.sin(fromDegrees * perDegree), Math.cos(fromDegrees * perDegree)]
    sum.count++
    sum.weight += weight
    sum.speed += weight * speed
    sum.east += weight * speed * sin
    sum.north += weight * speed * cos
    sum.sin += weight * sin
    sum.cos += weight * cos
  }
  if (!(sum.weight > 0)) return undefined
  const resultant = direction(sum.east, sum.north, sum.speed)
  const unit = direction(sum.sin, sum.cos, sum.weight)
  return {
    samples: sum.count,
    ...(resultant === undefined ? {} : { resultantDegrees: resultant }),
    resultantSpeed: Math.hypot(sum.east, sum.north) / sum.weight,
    ...(unit === undefined ? {} : { unitVectorDegrees: unit }),
    scalarSpeed: sum.speed / sum.weight,
    sigmaDegrees: yamartino(sum.sin / sum.weight, sum.cos / sum.weight),
  }
}

function direction(east: number, north: number, most: number): number | undefined {
  if (!(Math.hypot(east, north) > cancelled * most)) return undefined
  const degrees = Math.atan2(east, north) / perDegree
  // A tiny angle below zero would round to 360.
  return degrees < 0 ? (degrees + 360) % 360 : degrees
}

function yamartino(sin: number, cos: number): number {
  const epsilon = Math.sqrt(Math.max(0, 1 - (sin * sin + cos * cos)))
  return (Math.asin(Math.min(1, epsilon)) * (1 + (2 / Math.sqrt(3) - 1) * epsilon ** 3)) / perDegree
}

/** 'SW': the name of the sector of sixteen. */
export const compassPoint = (fromDegrees: number): string =>
  compassPoints[Math.floor(((((fromDegrees + 11.25) % 360) + 360) % 360) / 22.5) % 16]
const compassPoints = 'N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW'.split(' ')
