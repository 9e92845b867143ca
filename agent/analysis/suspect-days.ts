/** Days of 24 hours, counted from the first hour of a series, of a station beside a neighbour: what the suspect rules look at. */
import { medianOf, percentile7 } from './spread.js'

/** Of one day, from the hours that both have; NaN where too few. µg/m³ but for the ratio. */
export interface DayBeside {
  /** Middle of ln(own / neighbour), of hours with at least 15 µg/m³ at the neighbour. */
  readonly logRatio: number
  /** 10th percentiles. */
  readonly floor: number
  readonly otherFloor: number
  /** 90th less 10th percentile. */
  readonly spread: number
  readonly otherSpread: number
  /** ln of own over the neighbour's middle distance of an hour from the mean of the hours around it. */
  readonly logUnrest: number
}

export const hoursOfBlock = 24
const leastHours = 12
const leastRatioHours = 8
const leastForRatio = 15
/** So that a still hour at one of them is no endless ratio: half of a last digit of 1 µg/m³. */
const unrestFloor = 0.5

export function daysBeside(own: Float64Array, other: Float64Array): DayBeside[] {
  const days = Math.floor(Math.min(own.length, other.length) / hoursOfBlock)
  return Array.from({ length: days }, (_, day) => dayBeside(own, other, day * hoursOfBlock))
}

function dayBeside(own: Float64Array, other: Float64Array, from: number): DayBeside {
  const both: number[] = []
  for (let i = from; i < from + hoursOfBlock; i++) if (!Number.isNaN(own[i] + other[i])) both.push(i)
  const mine = both.map((i) => own[i])
  const theirs = both.map((i) => other[i])
  const enough = both.length >= leastHours
  const at = (values: number[], share: number): number => (enough ? percentile7(values, share)! : NaN)
  const ratios = both.flatMap((i) =>
    other[i] >= leastForRatio ? Math.log(Math.max(own[i], 1) / other[i]) : [],
  )
  return {
    logRatio: ratios.length >= leastRatioHours ? medianOf(ratios) : NaN,
    floor: at(mine, 0.1),
    otherFloor: at(theirs, 0.1),
    spread: at(mine, 0.9) - at(mine, 0.1),
    otherSpread: at(theirs, 0.9) - at(theirs, 0.1),
    logUnrest: logUnrest(own, other, both),
  }
}

function logUnrest(own: Float64Array, other: Float64Array, hours: readonly number[]): number {
  const inside = hours.filter((i) => !Number.isNaN(bend(own, i) + bend(other, i)))
  if (inside.length < leastRatioHours) return NaN
  const middle = (series: Float64Array): number => medianOf(inside.map((i) => bend(series, i))) + unrestFloor
  return Math.log(middle(own) / middle(other))
}

const bend = (series: Float64Array, i: number): number =>
  i > 0 && i + 1 < series.length ? Math.abs(series[i] - (series[i - 1] + series[i + 1]) / 2) : NaN
