/**
 * power: battery and sun. Where the sun stands and what a panel makes of it; how full the battery is; energy by hour
 * and day; how a battery and a panel will live through the years; and what gauges say before anybody believes them.
 *
 * In: gauge readings, places, days, a battery, a panel and a load. Out: channel values that may be recorded, energies in
 * Wh, charge in percent with its range, decisions about the sampling plan. All of it is plain functions of what is handed in.
 * Assumed: gauges give V, A, W, °C, % and hPa already (hardware/ knows the units of the files); current into the battery is
 * above zero; days are of 24 h of local standard time; solar time where a function says so.
 * Refused: gauge values outside what the channel can be, as 'gauge-absurd': missing, never 0.
 */
import { bad, kindOf, type GaugeReading, type Outcome } from '../terms/terms.js'

export * from './sun.js'
export * from './sky.js'
export * from './panel.js'
export * from './battery.js'
export * from './rest-voltage.js'
export * from './charge.js'
export * from './balance.js'
export * from './year.js'
export * from './ledger.js'
export * from './plan.js'
export * from './schedule.js'
export * from './gauge-check.js'
export * from './forecast.js'
export * from './modem-rhythm.js'
export * from './shade.js'
export * from './sizing.js'

export function believable(reading: GaugeReading): Outcome<number> {
  if (!reading.value.ok) return reading.value
  const kind = kindOf(reading.channel)
  const value = reading.value.value
  if (!kind) return bad('gauge-absurd', `${reading.channel} is not a channel`)
  if (value >= kind.lowest && value <= kind.highest) return reading.value
  return bad(
    'gauge-absurd',
    `${reading.channel} reads ${value} ${kind.unit}, possible is ${kind.lowest} to ${kind.highest}`,
  )
}
