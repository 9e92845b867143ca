import { SysfsGauge } from '../hardware/gauges.js'
import { SupplyAlarm } from '../hardware/supply-alarm.js'
import { believable } from '../power/power.js'
import type { Settings } from '../settings/settings.js'
import { faultText, kindOf } from '../terms/terms.js'

export interface GaugeItem {
  readonly what: string
  readonly well: boolean
  readonly words: string
}

/** Reads every gauge once, and the file of the supply where the settings name one. */
export async function tryGauges({ gauges, supply }: Settings): Promise<GaugeItem[]> {
  const items: GaugeItem[] = []
  for (const settings of gauges)
    for (const reading of await new SysfsGauge(settings).read()) {
      const value = believable(reading)
      items.push({
        what: 'gauge',
        well: value.ok,
        words: value.ok
          ? `${reading.channel} reads ${Number(value.value.toPrecision(5))} ${kindOf(reading.channel)?.unit ?? ''}`
          : `${reading.channel}: ${faultText(value.fault)}`,
      })
    }
  if (supply.lowFile === undefined) return items
  const low = await new SupplyAlarm(supply.lowFile).isLow()
  const words = low.ok ? `the supply is ${low.value ? 'too low' : 'enough'}` : faultText(low.fault)
  return [...items, { what: 'supply', well: low.ok && !low.value, words }]
}
