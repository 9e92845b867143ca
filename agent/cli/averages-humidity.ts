/** Humidity hour by hour beside the masses: which hours were humid, and what a correction needs to know. */
import { isHour, keptHours, type HourOf, type StandardMillis } from '../averages/averages.js'
import { usualScreening } from '../screening/screening.js'
import { nameOf, slotOf } from './desk-records.js'
import type { Series } from './desk-series.js'

export interface HumidityBeside {
  /** Channel it is taken from; undefined where none is recorded, or none is meant. */
  readonly channel: string | undefined
  /** %RH of the hour that begins then; NaN where it is not known. */
  readonly at: (start: StandardMillis) => number
}

export const humidFromPercent = usualScreening.humidFromPercent

/** Of the channel's own slot, else the only one, else the one outside. */
export function humidityBeside(all: readonly Series[], channel: string): HumidityBeside {
  const series = all.filter(({ column }) => nameOf(column.channel) === 'humidity')
  const keys = [...new Set(series.map(({ column }) => column.channel))]
  const own = keys.find((key) => slotOf(key) === slotOf(channel))
  const meant = own ?? (keys.length === 1 ? keys[0] : keys.find((key) => slotOf(key) === 'outside'))
  const hours = series.filter(({ column }) => column.channel === meant).map(({ sums }) => keptHours(sums))
  const at = (start: StandardMillis): number => {
    for (const hourOf of hours) {
      const hour = hourOf(start)
      if (isHour(hour)) return hour.mean
    }
    return NaN
  }
  return { channel: meant, at }
}

export const isHumid = ({ at }: HumidityBeside, start: StandardMillis): boolean =>
  at(start) >= humidFromPercent

/** The same hours, but humid ones count no more. */
export const withoutHumid =
  (hourOf: HourOf, humidity: HumidityBeside): HourOf =>
  (from) => {
    const hour = hourOf(from)
    return isHour(hour) && isHumid(humidity, from) ? { ...hour, kind: 'short' } : hour
  }
