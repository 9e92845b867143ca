import { command } from '../instruments/instruments.js'
import { chemistries } from '../power/power.js'
import type { InstrumentSettings, Settings } from '../settings/settings.js'
import { faultText } from '../terms/terms.js'
import type { CheckItem } from './check.js'
import { boardPowerOf } from './compose-power.js'
import { gaugeChannels } from './gauge-channels.js'
import { gaugeLayoutsOf } from './gauge-layouts.js'
import { loadLayout } from './layouts.js'

/** What `check` says of battery and plan; where a wake alarm is named it is set, read back and cleared. */
export async function checkPowerSettings(settings: Settings): Promise<CheckItem[]> {
  const { power } = settings
  if (!power) return []
  const items: CheckItem[] = [{ what: 'power', well: true, words: batteryWords(power) }]
  if (power.plan !== 'continuous') items.push(...settings.instruments.map(sleepItem))
  const layouts = gaugeLayoutsOf(settings)
  const gives = settings.gauges.some((gauge, i) =>
    gaugeChannels(gauge, layouts.ok ? layouts.value[i] : undefined).includes('battery_voltage'),
  )
  // A layout that cannot be used is told with its gauge.
  if (!gives && layouts.ok)
    items.push({
      what: 'power',
      well: false,
      words: 'no gauge gives battery_voltage: nothing tells the charge',
    })
  const board = boardPowerOf(settings)
  if (!board) return items
  const proven = await board.prove()
  const words = proven.ok
    ? `${board.name}: the clock took an alarm and gave it back. Whether the board wakes by it shows only the first time`
    : faultText(proven.fault)
  return [...items, { what: 'wake', well: proven.ok, words }]
}

function batteryWords({ battery, plan, ...own }: NonNullable<Settings['power']>): string {
  const { words, reservePercent, cutOffPercent } = chemistries[battery.chemistry]
  const reserve = own.reservePercent ?? reservePercent
  const cutOff = own.cutOffPercent ?? cutOffPercent
  return `${words}, ${battery.capacityAh} Ah, ${battery.nominalVolts} V; plan ${plan}, reserve ${reserve} %, cut-off ${cutOff} %`
}

function sleepItem(instrument: InstrumentSettings): CheckItem {
  const what = 'sleep'
  if (instrument.powerSwitch)
    return { what, well: true, words: `${instrument.port}: by ${instrument.powerSwitch.off.join(' ')}` }
  const layout = loadLayout(instrument.layout)
  if (layout.ok && command(layout.value, 'sleep'))
    return { what, well: true, words: `${instrument.port}: by the sleep command of ${instrument.layout}` }
  const words = `${instrument.port}: ${instrument.layout} has no sleep command and there is no power_switch; it is only not read`
  return { what, well: false, words }
}
