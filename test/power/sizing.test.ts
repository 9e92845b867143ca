import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  batteryForAutonomy,
  badSpellLight,
  chemistries,
  clearest,
  clearnessOfRank,
  daysOfAutonomy,
  energyBatteryOf,
  live,
  lossOfLoad,
  madeDays,
  monthlyLight,
  skyAt,
  skyOfPlane,
  smallestBattery,
  smallestPanel,
  wattHoursOf,
  type Plant,
} from '../../agent/power/power.js'
import { seededRandom } from '../../agent/simulation/random.js'

const seed = 20261125
const years = 20
const load = { boardWattHours: 36, sensorWattHours: 12 }
const sky = skyAt(45, 60)
const made = { sky, days: madeDays(sky, years, seededRandom(seed)) }
const plant: Plant = { panelWatts: 60, batteryWattHours: 500, chemistry: chemistries.lifepo4, celsius: 0 }

describe('made years', () => {
  it('have in each rank curve the mean of the month', () => {
    for (const mean of [0.1, 0.3, 0.5, 0.7]) {
      let total = 0
      for (let i = 0; i < 20_000; i++) total += clearnessOfRank(mean, (i + 0.5) / 20_000)
      expect(total / 20_000).toBeCloseTo(mean, 3)
    }
    expect(clearnessOfRank(0.4, 1)).toBe(clearest)
  })

  it('bring on a plane what the table says, within the chance of a hundred years', () => {
    const table = [1, 2, 3, 4, 5, 6, 6, 5, 4, 3, 2, 1]
    const light = monthlyLight(madeDays(skyOfPlane(table), 100, seededRandom(seed)))
    light.forEach((given, month) => expect(Math.abs(given / 1000 / table[month] - 1)).toBeLessThan(0.08))
  })

  it('have a bad week that is well below the mean in every month', () => {
    const mean = monthlyLight(made.days)
    badSpellLight(made.days).forEach((bad, month) => expect(bad).toBeLessThan(0.9 * mean[month]))
  })
})

describe('living through them', () => {
  it('agrees with the plain hourly balance', () => {
    const small = { ...plant, panelWatts: 25 }
    const hours = Array.from({ length: years * 365 * 24 }, (_, i) => {
      const day = Math.floor(i / 24)
      const month = sky[made.days.months[day]]
      const light = made.days.plane[day] * month.plane[i % 24] + made.days.level[day] * month.level[i % 24]
      return wattHoursOf(light, small.panelWatts)
    })
    const battery = energyBatteryOf(small)
    const plain = lossOfLoad(
      battery,
      battery.capacityWattHours,
      hours,
      hours.map(() => 2),
    )
    const lived = live(small, load, made, 'continuous')
    expect(plain.lossHours).toBeGreaterThan(100)
    expect(lived.lossProbability).toBeCloseTo(plain.probability, 12)
  })

  it('never loses more with a larger panel or battery', () => {
    console.info(`seed ${seed}`)
    fc.assert(
      fc.property(
        fc.integer({ min: 5, max: 200 }),
        fc.integer({ min: 100, max: 2000 }),
        fc.integer({ min: 1, max: 50 }),
        (panelWatts, batteryWattHours, more) => {
          const lost = (change: Partial<Plant>): number =>
            live({ ...plant, panelWatts, batteryWattHours, ...change }, load, made, 'continuous')
              .lossProbability
          const before = lost({})
          expect(lost({ panelWatts: panelWatts + more })).toBeLessThanOrEqual(before)
          // A larger battery also cuts off at more Wh, but it holds more above that.
          expect(lost({ batteryWattHours: batteryWattHours + 10 * more })).toBeLessThanOrEqual(before)
        },
      ),
      { seed, numRuns: 25 },
    )
  })

  it('finds the smallest: a watt or 10 Wh less misses the wish', () => {
    const loss = (change: Partial<Plant>): number =>
      live({ ...plant, ...change }, load, made, 'continuous').lossProbability
    const panel = smallestPanel(plant, load, made, 'continuous', 0.01)!
    expect(loss({ panelWatts: panel })).toBeLessThanOrEqual(0.01)
    expect(loss({ panelWatts: panel - 1 })).toBeGreaterThan(0.01)
    const modest = { ...plant, panelWatts: panel - 15 }
    const battery = smallestBattery(modest, load, made, 'continuous', 0.01, 1)!
    expect(loss({ ...modest, batteryWattHours: battery })).toBeLessThanOrEqual(0.01)
    expect(loss({ ...modest, batteryWattHours: battery - 10 })).toBeGreaterThan(0.01)
  })

  it('carries the days wished for with the battery it names, and more of it in the cold', () => {
    const batteryWattHours = batteryForAutonomy(plant, 48, 7)
    expect(daysOfAutonomy({ ...plant, batteryWattHours }, 48)).toBeCloseTo(7, 9)
    expect(batteryForAutonomy({ ...plant, celsius: -15 }, 48, 7)).toBeGreaterThan(batteryWattHours)
  })

  it('loses less with the protecting plan than with a fixed one, and still measures most hours', () => {
    const modest = { ...plant, panelWatts: 45 }
    const [held, steps, bare] = (['continuous', 'stepping', 'heartbeat'] as const).map((plan) =>
      live(modest, load, made, plan),
    )
    console.info(
      `latitude 45, 45 W, 500 Wh, ${years} years: without energy ${held.lossHoursPerYear.toFixed(0)} h a year fixed, ` +
        `${steps.lossHoursPerYear.toFixed(0)} with the plan, ${bare.lossHoursPerYear.toFixed(0)} with the heartbeat alone; ` +
        `full hours ${(100 * held.stepShares.continuous).toFixed(1)} and ${(100 * steps.stepShares.continuous).toFixed(1)} %`,
    )
    expect(steps.lossHoursPerYear).toBeLessThan(held.lossHoursPerYear)
    expect(steps.lossHoursPerYear).toBeGreaterThanOrEqual(bare.lossHoursPerYear)
    expect(steps.stepShares.continuous).toBeGreaterThan(0.6)
  })

  it('spares brown-outs in a hundred years from the tropics to the far north, for a few full hours', () => {
    const rows: [number, number, number][] = [
      [10, 21, 480],
      [34, 62, 480],
      [52, 200, 960],
      [62, 713, 1440],
    ]
    for (const [latitude, panelWatts, batteryWattHours] of rows) {
      const there = skyAt(latitude, Math.min(75, latitude + 15))
      const century = { sky: there, days: madeDays(there, 100, seededRandom(1)) }
      const modest = { ...plant, panelWatts, batteryWattHours }
      const [held, steps, bare] = (['continuous', 'stepping', 'heartbeat'] as const).map((plan) =>
        live(modest, load, century, plan),
      )
      console.info(
        `latitude ${latitude}, ${panelWatts} W, ${batteryWattHours} Wh, seed 1: years of 100 without a brown-out ` +
          `${held.yearsWithoutLoss} fixed, ${steps.yearsWithoutLoss} with the plan, ${bare.yearsWithoutLoss} with the ` +
          `heartbeat alone; full hours ${(100 * held.stepShares.continuous).toFixed(1)} and ` +
          `${(100 * steps.stepShares.continuous).toFixed(1)} %`,
      )
      expect(steps.yearsWithoutLoss).toBeGreaterThan(held.yearsWithoutLoss)
      expect(steps.lossHoursPerYear).toBeLessThan(held.lossHoursPerYear)
      expect(steps.yearsWithoutLoss).toBeGreaterThanOrEqual(99)
      expect(steps.stepShares.continuous).toBeGreaterThan(0.9)
    }
  })
})
