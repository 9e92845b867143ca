/** The rules of a station as its settings give them: its own, and those out of the box that they leave in place. */
import { builtInRules, troubleChoices, type AlertRule } from '../alerts/alerts.js'
import { SupplyAlarm } from '../hardware/supply-alarm.js'
import type { Layout } from '../instruments/instruments.js'
import type { AlertSettings, Settings } from '../settings/settings.js'
import type { StationOptions, StationPorts } from '../station/station.js'
import type { DayLevels } from './day-levels.js'

export function alertOptions(
  settings: Settings,
  layouts: readonly Layout[],
  dayLevels: DayLevels,
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
  const builtIn = builtInRules(channels, own, dayLevels, changes)
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

export const caseOpenOf = ({ case: { openFile } }: Settings): Pick<StationPorts, 'caseOpen'> =>
  openFile === undefined ? {} : { caseOpen: new SupplyAlarm(openFile) }
