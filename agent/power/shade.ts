/**
 * Shadows on the panel, learned by the hour of the day: what keeps an hour's best share of the clear sky below that of the
 * best hour stands where it stood, and falls on the panel in other months by the sun's way.
 */
import { clearPanelWatts, type HarvestMemory, type PanelPlace } from './forecast.js'
import { utcMillis } from '../terms/terms.js'

/** Watts under a clear sky in the middle of each hour of local standard time, on the 15th of each month. */
export type ClearHours = readonly (readonly number[])[]

export function clearHours(place: PanelPlace, standardOffsetMinutes: number): ClearHours {
  const watts = (month: number, hour: number): number => {
    const local = Date.UTC(someYear, month, 15, hour, 30)
    return clearPanelWatts(place, utcMillis(local - standardOffsetMinutes * 60_000)).watts
  }
  return range(12).map((month) => range(24).map((hour) => watts(month, hour)))
}

const range = (length: number): number[] => Array.from({ length }, (_, i) => i)
const someYear = 2026

/** In fewer days no clear sky was seen at each hour of the day, and clouds would pass for shadows. */
const leastDays = 14

/**
 * Share of a clear day's energy that comes past the shadows; 1 until enough was seen. An hour in which the panel was never
 * free to give what it could, as that of a full battery, counts as without shadow.
 * @param month 0 to 11
 */
export function unshadedShare({ days, bestByHour }: HarvestMemory, clear: ClearHours, month: number): number {
  const hours = clear[month]
  const whole = hours.reduce((sum, watts) => sum + watts, 0)
  const best = Math.max(...bestByHour.filter((_, hour) => hours[hour] > 0))
  if (days.length < leastDays || !(best > 0) || whole <= 0) return 1
  const shareOf = (hour: number): number => (bestByHour[hour] > 0 ? bestByHour[hour] / best : 1)
  return hours.reduce((sum, watts, hour) => sum + watts * shareOf(hour), 0) / whole
}
