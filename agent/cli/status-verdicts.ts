/** The day so far beside the limits of the settings: the words that the desk will have for it. */
import {
  dayValue,
  judge,
  judgementWords,
  dayWords,
  limitChannels,
  notCompared,
  shownLimits,
} from '../limits/limits.js'
import type { Settings } from '../settings/settings.js'
import type { StationStatus } from '../station/station.js'
import { chooseLimits } from './limits-chosen.js'
import { folded, textWidth } from './plain-text.js'

/** One line a channel and limit; none where the settings name no limits: the guideline is for the desk. */
export function dayVerdicts({ day_hours: days }: StationStatus, settings: Settings): string[] {
  if (settings.limits.set === undefined && settings.limits.own.length === 0) return []
  const chosen = chooseLimits({ correction: [] }, settings)
  if (!chosen.ok) return [`limits cannot be used: ${chosen.words}`]
  return Object.entries(days).flatMap(([key, { date, basis, means, at_least: atLeast }]) => {
    const channel = limitChannels.find((name) => name === key.split('.')[0])
    if (!channel) return []
    const limits = shownLimits(chosen.value.shown, channel, date)
    return limits
      .filter(({ averaging }) => averaging === '24-hour')
      .map((limit) => {
        const day = dayValue(
          means.map((mean) => mean ?? undefined),
          limit.day,
        )
        const figure = {
          basis,
          uncertainty: notCompared,
          atLeast,
          value: day.valid ? day.value : undefined,
        }
        const verdict = judgementWords(figure, judge(figure, limit), limit)
        return `${key}, ${limit.title}: ${dayWords(day)}${day.valid ? `; ${verdict}` : ''}`
      })
  })
}

export const dayVerdictLines = (status: StationStatus, settings: Settings): string[] =>
  dayVerdicts(status, settings).map((words) => folded(`day so far: ${words}`, textWidth, 10))
