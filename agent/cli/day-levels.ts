import { shownLimits, usualSet, type LimitChannel, type Shown } from '../limits/limits.js'
import type { Settings } from '../settings/settings.js'
import { chooseLimits } from './limits-chosen.js'

/** The level of the 24-h mean that the rule out of the box watches, µg/m³, by channel; none where no limit is known. */
export interface DayLevels {
  readonly pm10?: number
  readonly pm2_5?: number
}

/**
 * The 24-h level of the chosen set, else the guideline; limits that cannot be read give none, and `check` says so.
 * @param day 'YYYY-MM-DD': which limits are in force
 */
export function dayLevels(settings: Settings, day: string): DayLevels {
  const chosen = chooseLimits({}, { ...settings, limits: { ...settings.limits, correctionFiles: [] } })
  if (!chosen.ok) return {}
  const levels: { -readonly [channel in keyof DayLevels]: DayLevels[channel] } = {}
  for (const channel of ['pm10', 'pm2_5'] as const) {
    const level = dayLevel(chosen.value.shown, channel, day)
    if (level !== undefined) levels[channel] = level
  }
  return levels
}

function dayLevel(shown: Shown, channel: LimitChannel, day: string): number | undefined {
  const daily = shownLimits(shown, channel, day).filter(({ averaging }) => averaging === '24-hour')
  const named = daily.find(({ set }) => set === (shown.named ?? usualSet))
  return (named ?? daily[0])?.level
}
