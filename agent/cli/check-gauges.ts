import { SupplyAlarm } from '../hardware/supply-alarm.js'
import { believable } from '../power/power.js'
import type { Settings } from '../settings/settings.js'
import { faultText, kindOf, type GaugeReading } from '../terms/terms.js'
import { composeGauges, type ComposedGauge } from './compose-gauges.js'
import { gaugeLayoutsOf } from './gauge-layouts.js'

export interface GaugeItem {
  readonly what: string
  readonly well: boolean
  readonly words: string
}

/** Text comes when it comes: long enough for a line each ten seconds, of which the first may be half. */
const listenSeconds = 25

/**
 * Reads every gauge once, and the file of the supply where the settings name one.
 * @param agentRuns the agent of these settings runs and has the ports
 */
export async function tryGauges(settings: Settings, agentRuns = false): Promise<GaugeItem[]> {
  const items: GaugeItem[] = []
  const layouts = gaugeLayoutsOf(settings)
  if (!layouts.ok) items.push({ what: 'gauge', well: false, words: faultText(layouts.fault) })
  else {
    const composed = composeGauges(settings, layouts.value, listenSeconds)
    for (const gauge of composed.gauges) items.push(...(await gaugeItems(gauge, agentRuns)))
    await composed.close()
  }
  const { supply } = settings
  if (supply.lowFile === undefined) return items
  const low = await new SupplyAlarm(supply.lowFile).isLow()
  const words = low.ok ? `the supply is ${low.value ? 'too low' : 'enough'}` : faultText(low.fault)
  return [...items, { what: 'supply', well: low.ok && !low.value, words }]
}

async function gaugeItems({ gauge }: ComposedGauge, agentRuns: boolean): Promise<GaugeItem[]> {
  const what = 'gauge'
  const readings = await gauge.read()
  if (readings.length === 0) return [{ what, well: false, words: `${gauge.name}: no line came yet` }]
  const isBusy = readings.every(({ value }) => !value.ok && value.fault.code === 'port-busy')
  if (isBusy && agentRuns)
    return [{ what, well: true, words: `${gauge.name} is read by the running agent; see motepost status` }]
  return readings.map((reading) => ({ what, ...judged(reading) }))
}

function judged(reading: GaugeReading): { well: boolean; words: string } {
  const value = believable(reading)
  if (!value.ok) return { well: false, words: `${reading.channel}: ${faultText(value.fault)}` }
  const unit = kindOf(reading.channel)?.unit ?? ''
  return { well: true, words: `${reading.channel} reads ${Number(value.value.toPrecision(5))} ${unit}` }
}
