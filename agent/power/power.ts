/**
 * power: battery, sun and climate as channels. First, gauge values are looked at before anybody believes them.
 *
 * In: what gauges gave for a channel (a value or a fault). Out: a value that may be recorded, or the fault.
 * Assumed: gauges give V, A, W, °C, % and hPa already (hardware/ knows the units of the files).
 * Refused: values outside what the channel can be, as 'gauge-absurd': missing, never 0.
 */
import { bad, kindOf, type GaugeReading, type Outcome } from '../terms/terms.js'

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
