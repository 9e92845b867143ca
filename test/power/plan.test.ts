import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  chemistries,
  daysToReserve,
  decidePlan,
  samplingSteps,
  usualRules,
  type PlanRules,
  type PlanView,
  type SamplingStep,
} from '../../agent/power/power.js'

const rules: PlanRules = { ...usualRules, ...chemistries.lifepo4 }
const view = (change: Partial<PlanView> = {}): PlanView => ({
  now: 'continuous',
  percent: 90,
  capacityWattHours: 500,
  badSpellWattHours: 28,
  boardWattHours: 36,
  sensorWattHours: 12,
  isMidnight: true,
  afterHardCut: false,
  ...change,
})
const seed = 20261125
const rank = (step: SamplingStep): number => samplingSteps.findIndex((facts) => facts.step === step)

describe('the decision about the sampling plan', () => {
  it('stays continuous while a bad spell can be lived through', () => {
    expect(decidePlan(view(), rules)).toMatchObject({ step: 'continuous', reason: 'unchanged' })
    expect(decidePlan(view({ badSpellWattHours: 50, percent: 45 }), rules).daysToReserve).toBeUndefined()
  })

  it('steps down at midnight to what a bad spell allows, and waits for midnight to do it', () => {
    const poor = { percent: 60, badSpellWattHours: 27 }
    expect(decidePlan(view(poor), rules)).toMatchObject({ step: '5-of-60', reason: 'would-not-last' })
    expect(decidePlan(view({ ...poor, isMidnight: false }), rules).step).toBe('continuous')
  })

  it('goes to the heartbeat at once below the reserve, whatever the hour', () => {
    const low = view({ percent: 29.9, isMidnight: false })
    expect(decidePlan(low, rules)).toMatchObject({
      step: 'heartbeat',
      reason: 'below-reserve',
      daysToReserve: 0,
    })
    expect(decidePlan(view({ percent: 14 }), rules).reason).toBe('below-cut-off')
  })

  it('decides nothing while no gauge tells the charge', () => {
    for (const now of ['continuous', 'heartbeat'] as const)
      expect(decidePlan(view({ now, percent: undefined }), rules)).toEqual({
        step: now,
        reason: 'charge-unknown',
      })
  })

  it('has other marks for lead-acid: reserve 50, cut-off 40', () => {
    const lead = { ...usualRules, ...chemistries['lead-acid'] }
    expect(decidePlan(view({ percent: 49 }), lead).reason).toBe('below-reserve')
    expect(decidePlan(view({ percent: 39 }), lead).reason).toBe('below-cut-off')
  })

  it('comes back ten points above the reserve, a step a night', () => {
    const sunny = { now: 'heartbeat' as const, badSpellWattHours: 60 }
    expect(decidePlan(view({ ...sunny, percent: 39.9 }), rules).step).toBe('heartbeat')
    let now: SamplingStep = 'heartbeat'
    const nights = [1, 2, 3, 4].map(
      () => (now = decidePlan(view({ ...sunny, now, percent: 40 }), rules).step),
    )
    expect(nights).toEqual(['5-of-60', '5-of-15', 'continuous', 'continuous'])
  })

  it('lets sensor and modem wait after a hard cut until the battery has recovered', () => {
    const cut = { now: 'heartbeat' as const, afterHardCut: true, badSpellWattHours: 60 }
    expect(decidePlan(view({ ...cut, percent: 35 }), rules).reason).toBe('waiting-for-recovery')
    expect(decidePlan(view({ ...cut, percent: 41 }), rules).reason).toBe('sustained-again')
  })

  it('changes once while the charge trembles about the reserve for two hours', () => {
    let now: SamplingStep = 'continuous'
    let changes = 0
    for (let minute = 0; minute < 120; minute += 2) {
      const percent = 30 + (minute % 4 === 0 ? 1 : -1)
      const { step } = decidePlan(view({ now, percent, isMidnight: false }), rules)
      if (step !== now) changes++
      now = step
    }
    expect([changes, now]).toEqual([1, 'heartbeat'])
  })

  it('never samples below the reserve, never rises but at midnight, and by one step only', () => {
    console.info(`seed ${seed}`)
    fc.assert(
      fc.property(
        fc.constantFrom(...samplingSteps.map(({ step }) => step)),
        fc.double({ min: 0, max: 100, noNaN: true }),
        fc.double({ min: 0, max: 200, noNaN: true }),
        fc.boolean(),
        fc.boolean(),
        (now, percent, badSpellWattHours, isMidnight, afterHardCut) => {
          const seen = view({ now, percent, badSpellWattHours, isMidnight, afterHardCut })
          const { step, daysToReserve: days } = decidePlan(seen, rules)
          if (percent < rules.reservePercent) expect(step).toBe('heartbeat')
          const rise = rank(now) - rank(step)
          expect(rise).toBeLessThanOrEqual(isMidnight ? 1 : 0)
          if (rise > 0) expect(percent).toBeGreaterThanOrEqual(rules.reservePercent + rules.resumePoints)
          expect(days).toBe(daysToReserve(seen, rules, step))
        },
      ),
      { seed, numRuns: 2000 },
    )
  })
})
