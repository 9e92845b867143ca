import { describe, expect, it } from 'vitest'
import {
  chargeByVoltage,
  chargeEstimate,
  chargingBelowFreezing,
  chemistries,
  newCharge,
  restTableProblem,
  stepCharge,
  usableWattHours,
  type BatteryReading,
  type BatterySpec,
  type ChargeState,
  type ChemistryName,
} from '../../agent/power/power.js'
import { trueBattery, type TruthPlan } from './true-battery.js'

const spec = (name: ChemistryName, nominalVolts = 12): BatterySpec => ({
  chemistry: chemistries[name],
  capacityAmpereHours: 40,
  nominalVolts,
  gaugeGainError: 0.02,
  gaugeOffsetAmperes: 0.05,
})

const truth = (name: ChemistryName, change: Partial<TruthPlan> = {}): TruthPlan => ({
  chemistry: chemistries[name],
  capacityAmpereHours: 38,
  chargeEfficiency: name === 'lead-acid' ? 0.85 : 0.98,
  panelWatts: 30,
  loadWatts: 2,
  startPercent: 70,
  tableVoltsOff: 0.03,
  celsius: 15,
  seed: 20261125,
  ...change,
})

const gauge = { gain: 1.02, offsetAmperes: 0.05, noiseAmperes: 0.02, noiseVolts: 0.01 }
const monthMinutes = 30 * 1440
const settled = 2 * 1440

interface Errors {
  readonly mean: number
  readonly largest: number
  /** Share of the minutes in which the truth lay in the range. */
  readonly inRange: number
  readonly meanRange: number
  readonly state: ChargeState
}

function month(
  plan: TruthPlan,
  battery: BatterySpec,
  seen: (r: Required<BatteryReading>) => BatteryReading,
): Errors {
  let state = newCharge(battery)
  let [sum, largest, inside, range, minute] = [0, 0, 0, 0, 0]
  for (const { percent, reading } of trueBattery(plan, gauge, monthMinutes)) {
    state = stepCharge(state, seen(reading), 60, battery)
    if (minute++ < settled) continue
    const estimate = chargeEstimate(state, battery)!
    const error = Math.abs(estimate.percent - percent)
    sum += error
    largest = Math.max(largest, error)
    range += estimate.highPercent - estimate.lowPercent
    if (percent >= estimate.lowPercent && percent <= estimate.highPercent) inside++
  }
  const counted = monthMinutes - settled
  return { mean: sum / counted, largest, inRange: inside / counted, meanRange: range / counted, state }
}

const told = (what: string, { mean, largest, inRange, meanRange, state }: Errors): void =>
  console.info(
    `${what}: mean error ${mean.toFixed(1)}, largest ${largest.toFixed(1)} points; in range ` +
      `${(inRange * 100).toFixed(1)} % of the time, range ${meanRange.toFixed(0)} points wide; offset learned ` +
      `${(state.offsetAmperes * 1000).toFixed(0)} mA, capacity ${state.capacityAmpereHours.toFixed(1)} Ah`,
  )

describe('state of charge against a simulated truth, 30 days, gauge 2 % and 50 mA off', () => {
  const cases: [string, TruthPlan, number, number][] = [
    ['lead-acid, often full', truth('lead-acid'), 5, 15],
    ['LiFePO4, often full', truth('lifepo4'), 5, 15],
    ['lead-acid, seldom full', truth('lead-acid', { panelWatts: 14 }), 8, 20],
    ['LiFePO4, never full', truth('lifepo4', { panelWatts: 13, startPercent: 60 }), 12, 25],
  ]
  for (const [what, plan, mean, largest] of cases)
    it(`keeps close by counting: ${what}`, () => {
      const errors = month(plan, spec(plan.chemistry.name), (reading) => reading)
      told(what, errors)
      expect(errors.mean).toBeLessThan(mean)
      expect(errors.largest).toBeLessThan(largest)
      expect(errors.inRange).toBeGreaterThan(0.95)
    })

  for (const name of ['lead-acid', 'lifepo4'] as const)
    it(`says how little a voltage alone tells: ${name}`, () => {
      const errors = month(truth(name), spec(name), ({ volts }) => ({ volts }))
      told(`${name}, voltage only`, errors)
      expect(errors.inRange).toBeGreaterThan(0.9)
      expect(errors.meanRange).toBeGreaterThan(20)
    })
})

describe('what the estimate rests on', () => {
  const battery = spec('lifepo4')
  const quiet = { volts: 13.1, amperes: -0.1, celsius: 20 }
  const hours = (state: ChargeState, reading: BatteryReading, count: number, of = battery): ChargeState => {
    for (let minute = 0; minute < count * 60; minute++) state = stepCharge(state, reading, 60, of)
    return state
  }

  it('says nothing before a voltage was seen', () => {
    const state = hours(newCharge(battery), { amperes: -0.1 }, 5)
    expect(chargeEstimate(state, battery)).toBeUndefined()
  })

  it('is set right by a rested battery once a night, and by full at once', () => {
    const night = hours(newCharge(battery), quiet, 5)
    expect(chargeEstimate(night, battery)).toMatchObject({ restsOn: 'counting', lastAnchor: 'rest' })
    const noon = hours(night, { volts: 14.2, amperes: 0.3, celsius: 20 }, 1)
    const full = chargeEstimate(noon, battery)!
    expect(full).toMatchObject({ lastAnchor: 'full', percent: 100 })
    expect(full.highPercent - full.lowPercent).toBeLessThan(5)
  })

  it('falls back to the voltage an hour after the current was last seen, and widens meanwhile', () => {
    const night = hours(newCharge(battery), quiet, 5)
    const width = (state: ChargeState): number => {
      const { lowPercent, highPercent } = chargeEstimate(state, battery)!
      return highPercent - lowPercent
    }
    const soon = hours(night, { volts: 13.1 }, 0.5)
    expect(chargeEstimate(soon, battery)!.restsOn).toBe('counting')
    expect(width(soon)).toBeGreaterThan(width(night))
    expect(chargeEstimate(hours(soon, { volts: 13.1 }, 1), battery)!.restsOn).toBe('voltage only')
  })

  it('does not count a span nobody watched', () => {
    const night = hours(newCharge(battery), quiet, 5)
    const later = stepCharge(night, { ...quiet, amperes: -5 }, 3 * 3600, battery)
    expect(later.percent).toBe(night.percent)
    expect(later.variance).toBeGreaterThan(night.variance)
  })

  it('reads a battery of 24 V as two in series, and a table of its own as it stands', () => {
    const one = chargeByVoltage(12.3, spec('lead-acid'))
    expect(chargeByVoltage(24.6, spec('lead-acid', 24)).percent).toBeCloseTo(one.percent, 9)
    const own = [
      { percent: 0, volts: 10 },
      { percent: 100, volts: 20 },
    ]
    expect(chargeByVoltage(15, { ...spec('lead-acid'), restTable: own }).percent).toBeCloseTo(48.75, 9)
  })

  it('refuses a rest table that does not rise', () => {
    const row = (percent: number, volts: number): { percent: number; volts: number } => ({ percent, volts })
    expect(restTableProblem([row(0, 11), row(50, 12), row(100, 12.7)])).toBeUndefined()
    expect(restTableProblem([row(0, 11)])).toContain('two rows')
    expect(restTableProblem([row(0, 11), row(50, 10.9)])).toContain('row 2')
    expect(restTableProblem([row(0, 11), row(150, 12)])).toContain('row 2')
  })

  it('learns the capacity over deep cycles, toward the truth and not past what it can tell', () => {
    const lead = spec('lead-acid')
    const cycle = { panelWatts: 45, loadWatts: 5, capacityAmpereHours: 30, tableVoltsOff: 0 }
    let state = newCharge(lead)
    let deepest = 100
    const exact = { gain: 1, offsetAmperes: 0, noiseAmperes: 0, noiseVolts: 0 }
    for (const { percent, reading } of trueBattery(truth('lead-acid', cycle), exact, 60 * 1440)) {
      state = stepCharge(state, reading, 60, lead)
      deepest = Math.min(deepest, percent)
    }
    console.info(
      `capacity 40 Ah by name, 30 in truth: ${state.capacityAmpereHours.toFixed(1)} Ah learned in 60 days, down to ` +
        `${deepest.toFixed(0)} %`,
    )
    expect(state.capacityAmpereHours).toBeLessThan(37)
    expect(state.capacityAmpereHours).toBeGreaterThan(26)
  })

  it('keeps back in the cold what the cold keeps back', () => {
    const half = { percent: 50, capacityAmpereHours: 40 }
    const warm = usableWattHours(half, 15, 25, battery)
    expect(warm).toBeCloseTo(0.35 * 40 * 12, 9)
    expect(usableWattHours(half, 15, -15, battery)).toBeLessThan(warm)
    expect(usableWattHours({ ...half, percent: 10 }, 15, 25, battery)).toBe(0)
  })

  it('sees lithium charged below freezing, and not what a gauge may be off', () => {
    expect(chargingBelowFreezing({ amperes: 1, celsius: -2 }, battery)).toBe(true)
    expect(chargingBelowFreezing({ amperes: 0.06, celsius: -2 }, battery)).toBe(false)
    expect(chargingBelowFreezing({ amperes: 1, celsius: 2 }, battery)).toBe(false)
    expect(chargingBelowFreezing({ amperes: 1 }, battery)).toBe(false)
    expect(chargingBelowFreezing({ amperes: 1, celsius: -2 }, spec('lead-acid'))).toBe(false)
  })
})
