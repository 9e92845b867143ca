import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { nextEnergy, type EnergyBattery } from '../../agent/power/power.js'
import { bestValue, type HourChoice } from './clairvoyant.js'

const seed = 20261125

/** By trying every row of choices; undefined where none stays above the cut-off. */
function byTrying(
  battery: EnergyBattery,
  energy: number,
  panel: readonly number[],
  choices: readonly HourChoice[],
): number | undefined {
  if (panel.length === 0) return 0
  const sums = choices.flatMap(({ loadWattHours, value }) => {
    const after = nextEnergy(battery, energy, panel[0], loadWattHours)
    if (after < battery.leastWattHours) return []
    const rest = byTrying(battery, after, panel.slice(1), choices)
    return rest === undefined ? [] : [value + rest]
  })
  return sums.length > 0 ? Math.max(...sums) : undefined
}

// Even Wh and halves of efficiency: every charge lies on a grid of whole Wh.
const battery = { capacityWattHours: 24, leastWattHours: 4, chargeEfficiency: 0.5, dischargeEfficiency: 0.5 }
const choices = [
  { loadWattHours: 6, value: Math.sqrt(60) },
  { loadWattHours: 4, value: Math.sqrt(20) },
  { loadWattHours: 2, value: 0 },
]

describe('the planner who knows every hour', () => {
  it('finds what trying every row of choices finds', () => {
    console.info(`seed ${seed}`)
    let carried = 0
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 0, max: 8 }), { minLength: 1, maxLength: 7 }),
        fc.integer({ min: 4, max: 24 }),
        (halves, startWattHours) => {
          const panel = halves.map((half) => 2 * half)
          const tried = byTrying(battery, startWattHours, panel, choices)
          if (tried === undefined) return
          carried++
          const foresight = { battery, startWattHours, panelWattHours: Float64Array.from(panel), choices }
          expect(bestValue({ ...foresight, steps: 20 })).toBeCloseTo(tried, 9)
        },
      ),
      { seed, numRuns: 500 },
    )
    expect(carried).toBeGreaterThan(200)
  })

  it('saves today what a dark tomorrow needs', () => {
    const dark = { battery, startWattHours: 16, panelWattHours: new Float64Array(3), choices, steps: 20 }
    // 12 Wh above the cut-off are three hours of the least load and nothing more.
    expect(bestValue(dark)).toBe(0)
    expect(bestValue({ ...dark, startWattHours: 20 })).toBeCloseTo(Math.sqrt(20), 9)
  })

  it('bounds from above where not even the least load is carried', () => {
    const bare = { battery, startWattHours: 4, panelWattHours: new Float64Array(2), choices, steps: 20 }
    expect(bestValue(bare)).toBe(0)
    expect(bestValue({ ...bare, panelWattHours: Float64Array.of(0, 24) })).toBeCloseTo(Math.sqrt(60), 9)
  })
})
