/**
 * The kappa of hygroscopic growth that, with a straight line, leaves least: reference = intercept + slope x unit / C(kappa, RH).
 * For each kappa the line is plain least squares, so that only kappa is searched for: on a grid, then finer.
 */
import { growthMassFactor } from '../limits/limits.js'
import { DaySums, type DrawnLine } from './day-sums.js'

export interface GrowthDay {
  readonly unit: readonly number[]
  readonly reference: readonly number[]
  /** %RH, each below 100. */
  readonly humidity: readonly number[]
}

export interface GrowthLine extends DrawnLine {
  readonly kappa: number
}

/** Pure salt lies at 1.3; nothing in air grows more than 2 says. */
export const mostKappa = 2
const step = 0.02
const kappas = Array.from({ length: Math.round(mostKappa / step) + 1 }, (_, i) => i * step)

/** Sums for each kappa of the grid, made once. */
export class GrowthSums {
  private readonly grid: readonly DaySums[]

  constructor(private readonly days: readonly GrowthDay[]) {
    this.grid = kappas.map((kappa) => this.sumsAt(kappa))
  }

  private sumsAt(kappa: number): DaySums {
    return new DaySums(
      this.days.map(({ unit, reference, humidity }) => ({
        x: unit.map((value, i) => value / growthMassFactor(kappa, humidity[i])),
        y: reference,
      })),
    )
  }

  /** Over the days drawn, to a few thousandths of kappa: a parabola through the best of the grid and its neighbours. */
  rough(draw: readonly number[]): GrowthLine | undefined {
    const lines = this.grid.map((sums) => sums.line(draw))
    const left = lines.map((line) => line?.left ?? Infinity)
    const best = left.reduce((a, value, i) => (value < left[a] ? i : a), 0)
    const line = lines[best]
    if (!line) return undefined
    const [before, after] = [left[best - 1], left[best + 1]]
    const bend = before + after - 2 * left[best]
    const shift = bend > 0 ? Math.max(-0.5, Math.min(0.5, (before - after) / (2 * bend))) : 0
    const beside = lines[best + Math.sign(shift)] ?? line
    const between = (of: (one: DrawnLine) => number): number =>
      of(line) + Math.abs(shift) * (of(beside) - of(line))
    return {
      kappa: kappas[best] + shift * step,
      slope: between((one) => one.slope),
      intercept: between((one) => one.intercept),
      left: line.left,
    }
  }

  /** Over the days drawn, to six digits: golden section about the best of the grid. */
  exact(draw: readonly number[]): GrowthLine | undefined {
    const rough = this.rough(draw)
    if (!rough) return undefined
    const at = (kappa: number): GrowthLine | undefined => {
      const line = this.sumsAt(kappa).line(draw)
      return line && { kappa, ...line }
    }
    const left = (kappa: number): number => at(kappa)?.left ?? Infinity
    return at(smallest(left, Math.max(0, rough.kappa - step), Math.min(mostKappa, rough.kappa + step)))
  }
}

const golden = (Math.sqrt(5) - 1) / 2

/** Where a function with one valley in [low, high] is least. */
function smallest(of: (x: number) => number, low: number, high: number): number {
  let [a, b] = [low, high]
  for (let i = 0; i < 32; i++) {
    const [c, d] = [b - golden * (b - a), a + golden * (b - a)]
    if (of(c) <= of(d)) b = d
    else a = c
  }
  const middle = (a + b) / 2
  return [low, high, middle].reduce((best, x) => (of(x) < of(best) ? x : best), middle)
}
