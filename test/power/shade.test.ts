import { describe, expect, it } from 'vitest'
import {
  clearHours,
  forecastHarvest,
  harvestTable,
  newHarvest,
  rememberDay,
  rememberHour,
  unshadedShare,
  type HarvestMemory,
} from '../../agent/power/power.js'

const place = {
  latitudeDegrees: 46,
  longitudeDegrees: 0,
  tiltDegrees: 40,
  azimuthDegrees: 180,
  panelWatts: 50,
  yieldShare: 0.75,
}
const clear = clearHours(place, 0)
const table = harvestTable(place)
const march = 2
const june = 5

/** Days of a month that bring what the table expects, past shadows; at each hour the sky is once clear. */
function after(days: number, shadow: (hour: number) => number, brought = 1): HarvestMemory {
  let memory = newHarvest
  for (let day = 0; day < days; day++) {
    for (let hour = 0; hour < 24; hour++)
      if (clear[march][hour] > 1) memory = rememberHour(memory, hour, 0.9 * shadow(hour))
    memory = rememberDay(memory, table.normal[march] * brought, table.normal[march])
  }
  return memory
}

/** A tree in the east: before ten there is the light of the sky alone. */
const tree = (hour: number): number => (hour < 10 ? 0.2 : 1)
const truth = (month: number): number => {
  const whole = clear[month].reduce((sum, watts) => sum + watts, 0)
  return clear[month].reduce((sum, watts, hour) => sum + watts * tree(hour), 0) / whole
}

describe('shadows by the hour of the day', () => {
  it('take what the sun would bring in those hours, in each month by its own sun', () => {
    const learned = after(20, tree)
    expect(unshadedShare(learned, clear, march)).toBeCloseTo(truth(march), 2)
    // The sun of June is up for hours before ten.
    expect(unshadedShare(learned, clear, june)).toBeCloseTo(truth(june), 1)
    expect(truth(june)).toBeLessThan(truth(march))
  })

  it('are not made of clouds, of nothing seen, or of too few days', () => {
    expect(
      unshadedShare(
        after(20, () => 0.4),
        clear,
        march,
      ),
    ).toBeCloseTo(1, 6)
    expect(unshadedShare(newHarvest, clear, march)).toBe(1)
    expect(unshadedShare(after(13, tree), clear, march)).toBe(1)
    // Of an hour in which the battery was always full nothing is known.
    const full = {
      ...after(20, () => 1),
      bestByHour: after(20, () => 1).bestByHour.map((b, h) => (h > 11 ? 0 : b)),
    }
    expect(unshadedShare(full, clear, march)).toBeCloseTo(1, 6)
  })

  it('bring the forecast nearer to what comes, now and when the month changes', () => {
    const learned = after(20, tree, truth(march))
    const off = (month: number, share: number): number =>
      Math.abs(
        forecastHarvest(learned, table, month, share).normalWattHours / table.normal[month] - truth(month),
      )
    for (const month of [march, june]) {
      const share = unshadedShare(learned, clear, month)
      console.info(
        `month ${month + 1}: off by ${off(month, share).toFixed(3)}, without shadows ${off(month, 1).toFixed(3)}`,
      )
      expect(off(month, share)).toBeLessThan(off(month, 1))
      expect(off(month, share)).toBeLessThan(0.03)
    }
  })

  it('count once: days that bring the expected share of the table leave the forecast there', () => {
    const learned = after(30, tree, truth(march))
    const { normalWattHours } = forecastHarvest(learned, table, march, unshadedShare(learned, clear, march))
    expect(normalWattHours / table.normal[march]).toBeCloseTo(truth(march), 2)
  })
})
