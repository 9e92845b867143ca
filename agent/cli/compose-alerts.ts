/** The rules of a station as its settings give them: its own, and those out of the box that they leave in place. */
import { builtInRules, troubleChoices, type AlertRule } from '../alerts/alerts.js'
import { SupplyAlarm } from '../hardware/supply-alarm.js'
import type { Layout } from '../instruments/instruments.js'
import { shownLimits, usualSet, type LimitChannel, type Shown } from '../limits/limits.js'
import type { AlertSettings, Settings } from '../settings/settings.js'
import type { StationOptions, StationPorts } from '../station/station.js'
import { chooseLimits } from './limits-chosen.js'

/** @param day 'YYYY-MM-DD': which limits are in force */
export function alertOptions(
  settings: Settings,
  layouts: readonly Layout[],
  day: string,
): Pick<StationOptions, 'rules' | 'troubles'> {
  const own = settings.alerts.map(ownRule)
  const channels = settings.instruments.flatMap(({ slot }, i) => {
    const names = new Set(layouts[i].fields.map(({ channel }) => channel as string))
    return [...names].map((name) => (slot === undefined ? name : `${name}.${slot}`))
  })
  const changes = settings.builtInAlerts.map(({ above, afterMinutes, ...change }) => ({
    ...change,
    ...(above === undefined ? {} : { level: above }),
    ...(afterMinutes === undefined ? {} : { onDelaySeconds: afterMinutes * 60 }),
  }))
  const builtIn = builtInRules(channels, own, dayLimits(settings, day), changes)
  return {
    rules: [...own, ...builtIn],
    troubles: troubleChoices(
      changes,
      own.map(({ rule }) => rule),
    ),
  }
}

const ownRule = (alert: AlertSettings): AlertRule => ({
  ...alert,
  onDelaySeconds: alert.onDelayMinutes * 60,
  offDelaySeconds: alert.offDelayMinutes * 60,
  leastDataCapture: alert.minDataCapturePercent / 100,
})

/** The 24-h level of the chosen set, else the guideline; limits that cannot be read give none, and `check` says so. */
function dayLimits(settings: Settings, day: string): { pm10?: number; pm2_5?: number } {
  const chosen = chooseLimits({}, { ...settings, limits: { ...settings.limits, correctionFiles: [] } })
  if (!chosen.ok) return {}
  const levels: { pm10?: number; pm2_5?: number } = {}
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

export const caseOpenOf = ({ case: { openFile } }: Settings): Pick<StationPorts, 'caseOpen'> =>
  openFile === undefined ? {} : { caseOpen: new SupplyAlarm(openFile) }
