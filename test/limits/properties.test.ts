import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  annualMean,
  compared,
  cut,
  daysAbove,
  daysOf,
  dayValue,
  exact,
  HourSeries,
  hourOfDayMeans,
  indexOf,
  judge,
  nowCast,
  percentile98,
  plainDay,
  rollingMaximum,
  rounded,
  toNumber,
  verdicts,
} from '../../agent/limits/limits.js'
import { figure, firstHour, hourMillis, hoursFrom, shippedSets, tenthsRule } from './made.js'

const seed = Number(process.env.SEED ?? 20261125)
console.info(`seed ${seed}`)
const property = <T>(arbitrary: fc.Arbitrary<T>, test: (value: T) => void): void =>
  fc.assert(fc.property(arbitrary, test), { seed })

/** Concentrations as a store holds them: two places. */
const mean = fc.integer({ min: -500, max: 100_000 }).map((hundredths) => hundredths / 100)
const hours = fc.array(fc.option(mean, { nil: undefined }), { minLength: 1, maxLength: 100 })
const shuffled = <T>(items: fc.Arbitrary<T[]>): fc.Arbitrary<{ items: T[]; mixed: T[] }> =>
  items.chain((given) =>
    fc
      .shuffledSubarray(given, { minLength: given.length, maxLength: given.length })
      .map((mixed) => ({ items: given, mixed })),
  )
const limits = shippedSets().flatMap((set) => set.limits)
const steps = fc.constantFrom(0.01, 0.1, 1, 10).map(exact)

describe('order and grouping', () => {
  it('of hours change no day, no running day, no hour of the day', () => {
    property(shuffled(hours.map((means) => hoursFrom(means))), ({ items, mixed }) => {
      const [a, b] = [new HourSeries(items), new HourSeries(mixed)]
      expect(daysOf(b, tenthsRule)).toEqual(daysOf(a, tenthsRule))
      expect(rollingMaximum(b)).toEqual(rollingMaximum(a))
      expect(hourOfDayMeans(b)).toEqual(hourOfDayMeans(a))
      expect(b.counts()).toEqual(a.counts())
    })
  })

  it('of the 24 hours of a day change nothing of its value', () => {
    const day = fc.array(fc.option(mean, { nil: undefined }), { minLength: 24, maxLength: 24 })
    property(shuffled(day), ({ items, mixed }) => {
      for (const rule of [plainDay, tenthsRule]) expect(dayValue(mixed, rule)).toEqual(dayValue(items, rule))
    })
  })

  it('of days change no percentile, no annual mean and no count above', () => {
    const days = fc.array(mean, { minLength: 1, maxLength: 366 })
    property(shuffled(days), ({ items, mixed }) => {
      expect(percentile98(mixed)).toEqual(percentile98(items))
      expect(annualMean([mixed, mixed, mixed, mixed])).toEqual(annualMean([items, items, items, items]))
      for (const limit of limits.slice(0, 3))
        expect(
          daysAbove(
            mixed.map((day) => figure(day)),
            limit,
          ),
        ).toEqual(
          daysAbove(
            items.map((day) => figure(day)),
            limit,
          ),
        )
    })
  })
})

describe('cutting and rounding', () => {
  it('done twice are done once', () => {
    property(fc.tuple(mean, steps), ([value, step]) => {
      const once = cut(exact(value), step)
      expect(toNumber(cut(once, step))).toBe(toNumber(once))
      const near = rounded(exact(value), step)
      expect(toNumber(rounded(near, step))).toBe(toNumber(near))
    })
  })

  it('stay within a step of the value and never swap two values', () => {
    property(fc.tuple(mean, mean, steps), ([a, b, step]) => {
      const [low, high] = [Math.min(a, b), Math.max(a, b)]
      for (const change of [cut, rounded]) {
        expect(toNumber(change(exact(low), step))).toBeLessThanOrEqual(toNumber(change(exact(high), step)))
        expect(Math.abs(toNumber(change(exact(a), step)) - a)).toBeLessThan(toNumber(step) + 1e-12)
      }
    })
  })

  it('agree with decimal text, digit by digit', () => {
    property(fc.integer({ min: 0, max: 1_000_000 }), (thousandths) => {
      const text = (thousandths / 1000).toFixed(3)
      expect(toNumber(cut(exact(thousandths / 1000), exact(0.1)))).toBe(Number(text.slice(0, -2)))
    })
  })
})

describe('a verdict', () => {
  /** 'below' < 'too close to tell' < 'above'. */
  const rank = (value: number, more: Parameters<typeof figure>[1], limit: (typeof limits)[number]): number =>
    ['below', 'too-close-to-tell', 'above'].indexOf(judge(figure(value, more), limit).verdict)
  const uncertainty = fc.record({
    relative: fc.double({ min: 0, max: 1, noNaN: true }),
    absolute: fc.double({ min: 0, max: 50, noNaN: true }),
    source: fc.constant('side-by-side' as const),
  })
  const sensor = fc.record({
    uncertainty,
    basis: fc.constantFrom('measured' as const, 'inferred' as const),
    atLeast: fc.boolean(),
  })

  it('never falls as the value rises', () => {
    property(fc.tuple(mean, mean, sensor, fc.constantFrom(...limits)), ([a, b, more, limit]) => {
      expect(rank(Math.min(a, b), more, limit)).toBeLessThanOrEqual(rank(Math.max(a, b), more, limit))
    })
  })

  it('is never surer than the arithmetic, and never below for an inferred value', () => {
    property(fc.tuple(mean, sensor, fc.constantFrom(...limits)), ([value, more, limit]) => {
      const { verdict, arithmetic } = judge(figure(value, more), limit)
      expect(verdicts).toContain(verdict)
      if (verdict === 'above') expect(arithmetic).toBe('above')
      if (verdict === 'below')
        expect([arithmetic, more.basis, more.atLeast]).toEqual(['not-above', 'measured', false])
    })
  })

  it('does not get surer as the uncertainty grows', () => {
    property(fc.tuple(mean, uncertainty, fc.constantFrom(...limits)), ([value, given, limit]) => {
      const wider = { ...given, relative: given.relative + 0.2, absolute: given.absolute + 1 }
      const verdict = (u: typeof given) => judge(figure(value, { uncertainty: u }), limit).verdict
      if (verdict(given) === 'too-close-to-tell') expect(verdict(wider)).toBe('too-close-to-tell')
    })
  })

  it('compares what the document compares: cut, rounded or left alone', () => {
    property(fc.tuple(mean, fc.constantFrom(...limits)), ([value, limit]) => {
      const once = compared(value, limit.comparison)
      expect(toNumber(compared(toNumber(once), limit.comparison))).toBe(toNumber(once))
    })
  })
})

describe('the NowCast and the index', () => {
  it('stay within the hours they are made of, with a weight of 0.5 to 1', () => {
    property(fc.array(fc.option(mean, { nil: undefined }), { maxLength: 12 }), (newest) => {
      const now = nowCast(newest, 'pm2_5')
      if (!now.valid) return
      const present = newest.filter((hour) => hour !== undefined).map((hour) => Math.max(0, hour))
      expect(now.weight >= 0.5 && now.weight <= 1).toBe(true)
      expect(now.value).toBeGreaterThanOrEqual(Math.min(...present) - 1e-9)
      expect(now.value).toBeLessThanOrEqual(Math.max(...present) + 1e-9)
    })
  })

  it('never fall as the concentration rises', () => {
    const tables = shippedSets().flatMap(({ index }) => index)
    property(fc.tuple(mean, mean, fc.constantFrom(...tables)), ([a, b, table]) => {
      expect(indexOf(table, Math.min(a, b)).index).toBeLessThanOrEqual(indexOf(table, Math.max(a, b)).index)
    })
  })
})

describe('the running 24 hours', () => {
  it('equal the largest of all windows looked at one by one', () => {
    const sparse = fc.array(fc.option(mean, { nil: undefined, freq: 4 }), { minLength: 18, maxLength: 80 })
    property(sparse, (means) => {
      const windows = Array.from({ length: means.length + 24 }, (_, end) =>
        means.slice(Math.max(0, end - 23), end + 1).filter((hour) => hour !== undefined),
      ).filter((window) => window.length >= 18)
      const largest = windows.map((window) => window.reduce((sum, hour) => sum + hour, 0) / window.length)
      const found = rollingMaximum(new HourSeries(hoursFrom(means)))
      if (windows.length === 0) expect(found).toBeUndefined()
      else expect(found!.mean).toBeCloseTo(Math.max(...largest), 9)
    })
  })

  it('cross a gap longer than a day without walking through it', () => {
    const far = firstHour + 30 * 365 * 24 * hourMillis
    const series = new HourSeries([
      ...hoursFrom(Array<number>(24).fill(10)),
      ...hoursFrom(Array<number>(24).fill(11), far),
    ])
    expect(rollingMaximum(series)).toEqual({ mean: 11, hours: 18, lastHour: far + 17 * hourMillis })
  })
})
