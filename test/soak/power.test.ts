import { describe, expect, it } from 'vitest'
import { leanestPanel, madeAt, modestPlaces, powerYears, tableHead, tableRow } from './power-years.js'

const years = 4
const seed = 20261125

describe('a few years on sun and battery (a hundred by `npm run soak`)', () => {
  it('come near what a planner had made of them who knew every hour', () => {
    console.info(`${years} years, seed ${seed}\n${tableHead}`)
    for (const place of modestPlaces) {
      const lived = powerYears(place, years, seed, 200)
      console.info(tableRow(lived))
      expect(lived.plan.yearsWithoutLoss).toBeGreaterThanOrEqual(lived.fixed.yearsWithoutLoss)
      expect(lived.planShare).toBeGreaterThan(0.9)
      expect(lived.planShare).toBeLessThanOrEqual(1)
    }
  })

  it('need a panel for the heartbeat that one watt less is not', () => {
    const place = modestPlaces[1]
    const least = leanestPanel(place, madeAt(place, years, seed))
    const free = (panelWatts: number): number =>
      powerYears({ ...place, panelWatts }, years, seed, 50).heartbeat.yearsWithoutLoss
    expect(free(least)).toBe(years)
    expect(free(least - 1)).toBeLessThan(years)
  })
})
