import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { episodesIn, type EpisodeRule } from '../../agent/analysis/analysis.js'

const hoursOf = (means: readonly number[]) => means.map((mean, i) => ({ from: i * 3_600_000, mean }))
const rule: EpisodeRule = { above: 50, gapHours: 1, leastHours: 1 }
const none = NaN

describe('episodes', () => {
  it('are runs strictly above the level', () => {
    expect(episodesIn(hoursOf([50, 51, 60, 50, 70]), rule)).toEqual([
      { first: 1, last: 2, missing: 0 },
      { first: 4, last: 4, missing: 0 },
    ])
  })

  it('bridge a missing hour between two above, and count it', () => {
    expect(episodesIn(hoursOf([60, none, 60]), rule)).toEqual([{ first: 0, last: 2, missing: 1 }])
  })

  it('end before a gap that is longer than told', () => {
    expect(episodesIn(hoursOf([60, none, none, 60]), rule)).toEqual([
      { first: 0, last: 0, missing: 0 },
      { first: 3, last: 3, missing: 0 },
    ])
    expect(episodesIn(hoursOf([60, none, 60]), { ...rule, gapHours: 0 })).toHaveLength(2)
  })

  it('are not made longer by a missing hour at their edge', () => {
    expect(episodesIn(hoursOf([none, 60, none, 40, 60, none]), rule)).toEqual([
      { first: 1, last: 1, missing: 0 },
      { first: 4, last: 4, missing: 0 },
    ])
  })

  it('are left out below the least length', () => {
    expect(episodesIn(hoursOf([60, 40, 60, 60, 40]), { ...rule, leastHours: 2 })).toEqual([
      { first: 2, last: 3, missing: 0 },
    ])
  })

  it('hold every hour above, begin and end above, and never hold an hour at the level or below', () => {
    const mean = fc.oneof(fc.constant(NaN), fc.integer({ min: 0, max: 100 }))
    fc.assert(
      fc.property(fc.array(mean, { maxLength: 60 }), fc.integer({ min: 0, max: 4 }), (means, gapHours) => {
        const found = episodesIn(hoursOf(means), { ...rule, gapHours })
        const inside = new Set<number>()
        for (const { first, last, missing } of found) {
          expect(means[first]).toBeGreaterThan(50)
          expect(means[last]).toBeGreaterThan(50)
          const run = means.slice(first, last + 1)
          expect(run.some((one) => one <= 50)).toBe(false)
          expect(run.filter(Number.isNaN)).toHaveLength(missing)
          run.forEach((_, i) => inside.add(first + i))
        }
        means.forEach((one, i) => one > 50 && expect(inside.has(i)).toBe(true))
      }),
    )
  })
})
