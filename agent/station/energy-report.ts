import type { EnergyWatch } from './energy-watch.js'

const one = (value: number): number => Math.round(value * 10) / 10

/** What health and status say of battery, sun and plan: numbers with their units, nothing that is not known. */
export function energyReport(watch: EnergyWatch): Record<string, unknown> {
  const { estimate, state, reading, forecast, ports } = watch
  const { plan } = ports
  const days = (wattHours: number): number | 'never' => {
    const found = watch.daysToReserve(wattHours)
    return found === undefined ? 'never' : one(found)
  }
  return {
    plan: plan.step,
    reason: plan.reason,
    hard_cuts: state.hardCuts,
    ...(estimate ? chargeFacts(estimate) : { state_of_charge: 'not known' }),
    rests_on: restsOn(watch),
    today: state.ledger.day && dayFacts(state.ledger.day),
    harvest_wh: {
      normal: one(forecast.normalWattHours),
      bad_spell: one(forecast.badSpellWattHours),
      learned_days: forecast.learnedDays,
    },
    ...(estimate
      ? {
          days_to_reserve: {
            normal: days(forecast.normalWattHours),
            bad_spell: days(forecast.badSpellWattHours),
          },
        }
      : {}),
    ...(reading.solarWatts === undefined
      ? {}
      : {
          clear_share_by_hour: state.harvest.bestByHour.map(one),
          past_shadows: Math.round(100 * watch.unshaded) / 100,
        }),
  }
}

function chargeFacts(estimate: NonNullable<EnergyWatch['estimate']>): Record<string, unknown> {
  const { percent, lowPercent, highPercent, lastAnchor, sinceAnchorSeconds, capacityAmpereHours } = estimate
  return {
    state_of_charge: one(percent),
    between: [one(lowPercent), one(highPercent)],
    last_anchor: lastAnchor,
    since_anchor_h: one(sinceAnchorSeconds / 3600),
    capacity_ah: one(capacityAmpereHours),
  }
}

/** Which gauges the estimate still rests on. */
function restsOn({ estimate, reading }: EnergyWatch): string {
  if (!estimate) return 'nothing'
  const { volts, amperes } = reading
  if (volts === undefined && amperes === undefined) return 'what was known before: no gauge answers'
  if (amperes === undefined) return 'voltage only'
  return volts === undefined ? 'counting only' : estimate.restsOn
}

const dayFacts = (day: NonNullable<EnergyWatch['state']['ledger']['day']>): Record<string, number> => ({
  hours: one(day.seconds / 3600),
  solar_wh: one(day.solarWattHours),
  charged_wh: one(day.chargedWattHours),
  drawn_wh: one(day.drawnWattHours),
  load_wh: one(day.loadWattHours),
  model_wh: one(Object.values(day.modelWattHours).reduce((sum, value) => sum + value, 0)),
})
