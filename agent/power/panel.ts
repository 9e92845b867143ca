/** What a panel makes of the light on it. */

export interface PanelModel {
  readonly ratedWatts: number
  /** Temperature of the cells at 800 W/m² and 20 °C of air; 45 is usual. */
  readonly nominalCellCelsius: number
  /** Change of power with warmth; about -0.004 for silicon (common practice, from memory). */
  readonly powerPerCelsius: number
}

export const usualPanel = { nominalCellCelsius: 45, powerPerCelsius: -0.004 } as const

/** Cell temperature by the nominal-operating-temperature model (common practice, from memory). */
export const cellCelsius = (panel: PanelModel, wattsPerM2: number, airCelsius: number): number =>
  airCelsius + ((panel.nominalCellCelsius - 20) / 800) * wattsPerM2

/** Watts at the terminals, never below 0. */
export function panelWatts(panel: PanelModel, wattsPerM2: number, airCelsius: number): number {
  const warmth = 1 + panel.powerPerCelsius * (cellCelsius(panel, wattsPerM2, airCelsius) - 25)
  return Math.max(0, (panel.ratedWatts * wattsPerM2 * warmth) / 1000)
}

export interface LoadState {
  readonly watts: number
  readonly secondsPerHour: number
}

/** Mean watts of a consumer that goes through states; what the states leave of the hour draws nothing. */
export const meanWatts = (states: readonly LoadState[]): number =>
  states.reduce((sum, { watts, secondsPerHour }) => sum + (watts * secondsPerHour) / 3600, 0)
