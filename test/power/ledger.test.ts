import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  judgePanel,
  newLedger,
  newPanelHealth,
  stepLedger,
  unexplainedLoad,
  type Energy,
  type LedgerInput,
  type LedgerStep,
  type PanelJudgement,
} from '../../agent/power/power.js'

const seed = 20261125
const board = { board: 1.5, sensor: 0.5 }
const night = { clearWatts: 0, solarWatts: 0, batteryVolts: 12.8, batteryAmperes: -2 / 12.8 }
const noon = { clearWatts: 30, solarWatts: 24, batteryVolts: 13.2, batteryAmperes: 22 / 13.2 }

const minute = (hour: number, change: Partial<LedgerInput> = {}): LedgerInput => ({
  seconds: 60,
  hour,
  consumers: board,
  heldBack: false,
  ...(hour % 24 >= 8 && hour % 24 < 16 ? noon : night),
  ...change,
})

interface Kept {
  readonly hours: Energy[]
  readonly days: NonNullable<LedgerStep['closedDay']>[]
}

function kept(count: number, change: (hour: number) => Partial<LedgerInput> = () => ({})): Kept {
  const found: Kept = { hours: [], days: [] }
  let ledger = newLedger
  for (let hour = 24_000; hour <= 24_000 + count; hour++)
    for (let i = 0; i < 60; i++) {
      const step = stepLedger(ledger, minute(hour, change(hour)))
      ledger = step.ledger
      if (step.closedHour) found.hours.push(step.closedHour)
      if (step.closedDay) found.days.push(step.closedDay)
    }
  return found
}

describe('the energy ledger', () => {
  it('closes 24 hours and a day, each with what came in and what went out', () => {
    const { hours, days } = kept(24)
    expect([hours.length, days.length]).toEqual([24, 1])
    const [day] = days
    expect(day.solarWattHours).toBeCloseTo(8 * 24, 6)
    expect(day.chargedWattHours).toBeCloseTo(8 * 22, 6)
    expect(day.drawnWattHours).toBeCloseTo(16 * 2, 6)
    expect(day.loadWattHours).toBeCloseTo(48, 6)
    expect(day.modelWattHours).toEqual({ board: expect.closeTo(36, 6), sensor: expect.closeTo(12, 6) })
    expect(day.seconds).toBe(86_400)
    expect(day.bestShare).toBeCloseTo(0.8, 9)
  })

  it('gives the day as the sum of its hours, whatever the gauges leave out', () => {
    console.info(`seed ${seed}`)
    const span = fc.record({
      hour: fc.integer({ min: 24_000, max: 24_060 }),
      volts: fc.option(fc.double({ min: 10, max: 15, noNaN: true }), { nil: undefined }),
      amperes: fc.option(fc.double({ min: -5, max: 5, noNaN: true }), { nil: undefined }),
      watts: fc.option(fc.double({ min: 0, max: 60, noNaN: true }), { nil: undefined }),
    })
    fc.assert(
      fc.property(fc.array(span, { maxLength: 300 }), (spans) => {
        let ledger = newLedger
        let [hours, days] = [0, 0]
        const all = [...spans].sort((a, b) => a.hour - b.hour).concat({ ...spans[0], hour: 30_000 })
        for (const { hour, volts: batteryVolts, amperes: batteryAmperes, watts: solarWatts } of all) {
          const step = stepLedger(ledger, minute(hour, { batteryVolts, batteryAmperes, solarWatts }))
          ledger = step.ledger
          hours += step.closedHour?.loadWattHours ?? 0
          days += step.closedDay?.loadWattHours ?? 0
        }
        expect(hours).toBeCloseTo(days, 6)
      }),
      { seed, numRuns: 200 },
    )
  })

  it('does not take a gauge that is not there for 0: the load is of the seconds that were measured', () => {
    const [day] = kept(24, (hour) => (hour % 24 < 8 ? { batteryAmperes: undefined } : {})).days
    expect(day.loadSeconds).toBe(16 * 3600)
    expect(unexplainedLoad(day)).toBeUndefined()
    const [blind] = kept(24, () => ({ solarWatts: undefined })).days
    // By night the battery alone tells the load.
    expect(blind.loadSeconds).toBe(16 * 3600)
    expect(blind.loadWattHours).toBeCloseTo(32, 6)
  })

  it('tells a load that the consumers do not explain, and one that is missing', () => {
    expect(unexplainedLoad(kept(24).days[0])).toBeUndefined()
    const extra = kept(24, (hour) => (hour % 24 < 8 || hour % 24 >= 16 ? { batteryAmperes: -4 / 12.8 } : {}))
    expect(unexplainedLoad(extra.days[0])!.differenceWatts).toBeCloseTo(32 / 24, 6)
    const less = kept(24, () => ({ consumers: { ...board, modem: 1 } }))
    expect(unexplainedLoad(less.days[0])!.differenceWatts).toBeCloseTo(-1, 6)
  })

  it('keeps at most 33 consumers by name', () => {
    const many = Object.fromEntries(Array.from({ length: 50 }, (_, i) => [`c${i}`, 1]))
    const [hour] = kept(1, () => ({ consumers: many })).hours
    expect(Object.keys(hour.modelWattHours)).toHaveLength(33)
    expect(hour.modelWattHours.other).toBeCloseTo(18, 6)
  })
})

describe('the health of the panel', () => {
  const months = (shares: readonly (number | undefined)[]): PanelJudgement[] => {
    let health = newPanelHealth
    return shares.map((share) => {
      const judged = judgePanel(health, share)
      health = judged.health
      return judged
    })
  }
  const days = (count: number, share: number | undefined): (number | undefined)[] =>
    Array.from({ length: count }, () => share)

  it('is told as weak two weeks after it began to give clearly less, and not before', () => {
    const judged = months([...days(30, 0.8), ...days(20, 0.55)])
    const first = judged.findIndex(({ weak }) => weak)
    expect(first).toBe(30 + 13)
    expect(judged[first].weak).toEqual({ recentShare: 0.55, learnedShare: expect.closeTo(0.8, 1) })
  })

  it('is not told as weak for a dark week, for days that tell nothing, or once it is clean again', () => {
    const judged = months([...days(30, 0.8), ...days(10, 0.2), ...days(30, undefined), ...days(20, 0.78)])
    expect(judged.some(({ weak }) => weak)).toBe(false)
    const cleaned = months([...days(30, 0.8), ...days(20, 0.5), 0.8])
    expect(cleaned[49].weak).toBeDefined()
    expect(cleaned[50].weak).toBeUndefined()
  })

  it('is not judged by hours in which the full battery held it back', () => {
    const [day] = kept(24, () => ({ heldBack: true })).days
    expect(day.bestShare).toBeUndefined()
  })
})
