/** Options of made stations that several tests share: a battery with its plan, somebody to tell, a rule of dust. */
import type { AlertRule } from '../../agent/alerts/alerts.js'
import { usualDelivery, type Recipient, type WayName } from '../../agent/delivery/delivery.js'
import { chemistries, usualRules } from '../../agent/power/power.js'
import type { StationOptions } from '../../agent/station/station.js'

type Energy = NonNullable<StationOptions['energy']>

const usualLoad = { boardWatts: 1, sensorWatts: 0.5, modemWatts: 0 }

interface EnergyChange {
  readonly load?: Partial<Energy['load']>
  readonly panel?: Energy['panel']
  readonly richerWhenAlerted?: boolean
}

/** A lithium iron phosphate battery of 20 Ah at 12.8 V. */
export function energyOf(
  plan: Energy['plan']['plan'],
  { load, panel, richerWhenAlerted = false }: EnergyChange = {},
): Energy {
  const battery = { chemistry: chemistries.lifepo4, capacityAmpereHours: 20, nominalVolts: 12.8 }
  const rules = { ...usualRules, ...chemistries.lifepo4 }
  return {
    battery: { ...battery, gaugeGainError: 0.02, gaugeOffsetAmperes: 0.05 },
    ...(panel ? { panel } : {}),
    load: { ...usualLoad, ...load },
    plan: { plan, rules, richerWhenAlerted, standardOffsetMinutes: 0 },
  }
}

/** One recipient who is told of everything by one way, at UTC plus so many minutes. */
export const tellingOne = (
  way: WayName,
  to: string,
  standardOffsetMinutes = 0,
  more: Partial<Recipient> = {},
): NonNullable<StationOptions['telling']> => {
  const ways = [{ way, to, nextAfterSeconds: 600 }]
  const one: Recipient = {
    ...{ alias: 'ann', ways, least: 'low', dailyLine: [], mostSmsADay: 10, mayAnswer: true },
    ...more,
  }
  return { delivery: { ...usualDelivery, recipients: [one] }, place: { standardOffsetMinutes } }
}

/** PM2.5 of a minute above 50, over below 40. */
export const dustRule: AlertRule = {
  rule: 'dust',
  channel: 'pm2_5',
  average: '1-min',
  direction: 'above',
  level: 50,
  backAt: 40,
  onDelaySeconds: 0,
  offDelaySeconds: 0,
  leastDataCapture: 0.75,
  priority: 'normal',
}
