import {
  BlockSums,
  dayFigure,
  isHour,
  quarterHourSeconds,
  type ChannelAverages,
} from '../averages/averages.js'
import type { MonoSeconds } from '../terms/terms.js'
import type { DaySoFar } from './running-averages.js'

export interface DayHours {
  /** 24; null for an hour that does not count, or is yet to come. */
  readonly means: readonly (number | null)[]
  /** An hour that counts was over range in part. */
  readonly at_least: boolean
}

/**
 * Means of the hours of the day so far that count, by the rules of the desk; null for the others. Made when somebody asks,
 * of the records that are held, so that a verdict at the station is the one that the desk will come to.
 */
export function dayHours(averages: ChannelAverages, end: MonoSeconds, day: DaySoFar): DayHours {
  const number = Date.parse(`${day.date}T00:00:00Z`) / 86_400_000
  const midnight = end - day.seconds
  const sums = new BlockSums(quarterHourSeconds)
  for (const record of averages.held()) {
    if (record.at + record.seconds <= midnight) continue
    sums.add({ ...record, from: (number * 86_400 + record.at - midnight) * 1000, marked: false })
  }
  const { hours, atLeast } = dayFigure(sums, number)
  return { means: hours.map((hour) => (isHour(hour) ? hour.mean : null)), at_least: atLeast }
}
