/**
 * The best that a planner could have done who knew every hour to come: a bound, by dynamic programming (Bellman 1957)
 * backwards from the last hour. Charge stands on a fine grid and is read between its points in a straight line. It never
 * goes below the cut-off, nor where the least load could not be carried on from.
 */
import type { EnergyBattery } from '../../agent/power/power.js'

export interface HourChoice {
  readonly loadWattHours: number
  /** What an hour of it is worth. */
  readonly value: number
}

export interface Foresight {
  readonly battery: EnergyBattery
  readonly startWattHours: number
  readonly panelWattHours: Float64Array
  /** The last one draws least. */
  readonly choices: readonly HourChoice[]
  /** Steps of the grid between cut-off and full. */
  readonly steps: number
}

interface Move {
  readonly value: number
  readonly wattHours: number
}

/** Wh that arrive in the battery or leave it. */
const movedBy = (battery: EnergyBattery, panel: number, load: number): number =>
  panel >= load ? (panel - load) * battery.chargeEfficiency : (panel - load) / battery.dischargeEfficiency

const tiny = 1e-9

/** The sum of values over all hours. Where even the least load cannot be carried, the missing energy is given: a bound still. */
export function bestValue({ battery, startWattHours, panelWattHours, choices, steps }: Foresight): number {
  const grid = new Grid(battery, steps)
  const last = choices.length - 1
  for (let hour = panelWattHours.length - 1; hour >= 0; hour--) {
    const moves = choices.map(({ loadWattHours, value }) => ({
      value,
      wattHours: movedBy(battery, panelWattHours[hour], loadWattHours),
    }))
    grid.back(moves, moves[last])
  }
  return grid.at(startWattHours)
}

class Grid {
  private values: Float64Array
  private next: Float64Array
  private readonly size: number
  /** With less at the beginning of the hour the least load would run out some day. */
  private need: number

  constructor(
    private readonly battery: EnergyBattery,
    private readonly steps: number,
  ) {
    this.values = new Float64Array(steps + 1)
    this.next = new Float64Array(steps + 1)
    this.size = (battery.capacityWattHours - battery.leastWattHours) / steps
    this.need = battery.leastWattHours
  }

  at(wattHours: number): number {
    const place = Math.max(0, Math.min(this.steps, (wattHours - this.battery.leastWattHours) / this.size))
    const low = Math.min(this.steps - 1, Math.floor(place))
    return this.values[low] + (place - low) * (this.values[low + 1] - this.values[low])
  }

  back(moves: readonly Move[], least: Move): void {
    const { capacityWattHours, leastWattHours } = this.battery
    this.next.fill(-Infinity)
    for (const move of moves) this.take(move)
    const need = Math.max(leastWattHours, Math.min(capacityWattHours, this.need - least.wattHours))
    const given = least.value + this.at(this.need)
    for (let i = 0; i <= this.steps && this.next[i] === -Infinity; i++) this.next[i] = given
    this.need = need
    ;[this.values, this.next] = [this.next, this.values]
  }

  /** From every point that may take this move, better or not. */
  private take({ value, wattHours }: Move): void {
    const { values, next, steps, size } = this
    const shift = wattHours / size
    const whole = Math.floor(shift + tiny)
    const part = Math.max(0, shift - whole)
    const first = Math.max(0, Math.ceil((this.need - this.battery.leastWattHours) / size - shift - tiny))
    const full = Math.min(steps + 1, Math.max(first, steps - whole))
    for (let i = first; i < full; i++) {
      const low = values[i + whole]
      const worth = value + low + part * (values[i + whole + 1] - low)
      if (worth > next[i]) next[i] = worth
    }
    const atFull = value + values[steps]
    for (let i = full; i <= steps; i++) if (atFull > next[i]) next[i] = atFull
  }
}
