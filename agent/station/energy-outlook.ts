import {
  clearHours,
  darkDays,
  darkReserves,
  harvestTable,
  skyAt,
  type ClearHours,
  type HarvestTable,
  type PanelPlace,
} from '../power/power.js'
import type { EnergyOptions } from './energy-watch.js'

/** What place and panel alone tell of the sun, worked out once at the start. */
export interface Outlook {
  readonly table: HarvestTable
  readonly clear: ClearHours
  /** Wh by month that the heartbeat needs for the dark days ahead. */
  readonly dark: readonly number[]
}

export const outlookOf = (options: EnergyOptions, panel: PanelPlace): Outlook => ({
  table: harvestTable(panel),
  clear: clearHours(panel, options.plan.standardOffsetMinutes),
  dark: darkNeeds(options, panel),
})

function darkNeeds({ battery, load }: EnergyOptions, panel: PanelPlace): number[] {
  const { energyEfficiency } = battery.chemistry
  return darkReserves(
    darkDays(skyAt(panel.latitudeDegrees, panel.tiltDegrees)),
    (light) => (light / 1000) * panel.panelWatts * panel.yieldShare,
    24 * (load.boardWatts + load.modemWatts),
    { charge: energyEfficiency, discharge: 1 },
  )
}
