/**
 * The NowCast: a mean of the newest twelve hours that leans to the newest when they change, for PM2.5 and PM10.
 * Source: US EPA, fact sheet 'PM NowCast'. Negative and all-zero hours are not covered there; what is done with them is a
 * decision of this program: a negative hour counts as zero, and with all hours zero the weight is 1.
 */
import { cut, exact, isExactable, toNumber } from './exact.js'

export interface NowCastFigure {
  readonly valid: true
  /** 0.5 to 1. */
  readonly weight: number
  /** µg/m³. */
  readonly value: number
  /** The value as an index takes it: PM2.5 cut to 0.1, PM10 to 1. */
  readonly cutValue: number
  /** How many of the twelve hours counted. */
  readonly hours: number
}

export type NowCast =
  NowCastFigure | { readonly valid: false; readonly reason: 'fewer than two of the newest three hours' }

const hoursTaken = 12
const leastWeight = 0.5
const cutSteps = { pm2_5: exact(0.1), pm10: exact(1) }

/**
 * @param newestFirst hourly means in µg/m³ as measured; undefined or NaN for an hour that does not count. What is beyond
 * the twelfth is not looked at.
 */
export function nowCast(
  newestFirst: readonly (number | undefined)[],
  channel: keyof typeof cutSteps,
): NowCast {
  const hours = newestFirst.slice(0, hoursTaken).map(usable)
  if (hours.slice(0, 3).filter((mean) => mean !== undefined).length < 2)
    return { valid: false, reason: 'fewer than two of the newest three hours' }
  const present = hours.filter((mean) => mean !== undefined)
  const weight = weightOf(present)
  let sum = 0
  let weights = 0
  let factor = 1
  for (const mean of hours) {
    if (mean !== undefined) {
      sum += factor * mean
      weights += factor
    }
    factor *= weight
  }
  const value = sum / weights
  return {
    valid: true,
    weight,
    value,
    cutValue: toNumber(cut(exact(value), cutSteps[channel])),
    hours: present.length,
  }
}

const usable = (mean: number | undefined): number | undefined =>
  mean !== undefined && isExactable(mean) ? Math.max(0, mean) : undefined

function weightOf(present: readonly number[]): number {
  const most = Math.max(...present)
  return most > 0 ? Math.max(leastWeight, Math.min(...present) / most) : 1
}
