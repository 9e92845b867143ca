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
  /** Wh by month that the heartbeat needs for the dark days ahead, where `unshaded` of the light comes past the shadows. */
  readonly dark: (unshaded: number) => readonly number[]
}

/** Shadows are learned slowly and told in such steps: each is a second of work on a small board. */
const shareStep = 0.05

export function outlookOf(options: EnergyOptions, panel: PanelPlace): Outlook {
  const known = new Map<number, readonly number[]>()
  const dark = (unshaded: number): readonly number[] => {
    const share = Math.max(shareStep, Math.floor(unshaded / shareStep + 1e-9) * shareStep)
    const needs = known.get(share) ?? darkNeeds(options, panel, share)
    known.set(share, needs)
    return needs
  }
  return { table: harvestTable(panel), clear: clearHours(panel, options.plan.standardOffsetMinutes), dark }
}

function darkNeeds({ battery, load }: EnergyOptions, panel: PanelPlace, unshaded: number): number[] {
  const { energyEfficiency } = battery.chemistry
  return darkReserves(
    darkDays(skyAt(panel.latitudeDegrees, panel.tiltDegrees)),
    (light) => (light / 1000) * panel.panelWatts * panel.yieldShare * unshaded,
    24 * (load.boardWatts + load.modemWatts),
    { charge: energyEfficiency, discharge: 1 },
  )
}
