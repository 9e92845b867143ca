import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { RangeSet, type Range } from '../../agent/terms/terms.js'

const seed = Date.now() % 2 ** 31
console.info(`seed ${seed}`)

const range = fc.tuple(fc.nat(40), fc.nat(8)).map(([from, more]): Range => [from, from + more])
const step = fc.record({ act: fc.constantFrom('add', 'remove'), range })

describe('a set of ranges', () => {
  it('agrees with a plain set of numbers after any adds and removes', () => {
    fc.assert(
      fc.property(fc.array(step, { maxLength: 30 }), fc.nat(50), (steps, n) => {
        const set = new RangeSet()
        const plain = new Set<number>()
        for (const {
          act,
          range: [from, to],
        } of steps) {
          if (act === 'add') set.add(from, to)
          else set.remove(from, to)
          for (let i = from; i <= to; i++)
            if (act === 'add') plain.add(i)
            else plain.delete(i)
        }
        for (let i = 0; i <= 60; i++) expect(set.has(i)).toBe(plain.has(i))
        expect(set.count).toBe(plain.size)
        const missing = set
          .gaps(n, 55)
          .flatMap(([from, to]) => Array.from({ length: to - from + 1 }, (_, i) => from + i))
        expect(missing).toEqual(Array.from({ length: 56 - n }, (_, i) => n + i).filter((i) => !plain.has(i)))
        let contiguous = n - 1
        while (plain.has(contiguous + 1)) contiguous++
        expect(set.contiguousFrom(n)).toBe(contiguous)
        const pairs = set.ranges()
        for (let i = 1; i < pairs.length; i++) expect(pairs[i][0]).toBeGreaterThan(pairs[i - 1][1] + 1)
        expect(RangeSet.parse(JSON.parse(JSON.stringify(set)), 50)?.ranges()).toEqual(pairs)
      }),
      { seed },
    )
  })

  it('joins neighbours and ignores an empty range', () => {
    const set = RangeSet.from([
      [5, 6],
      [1, 2],
      [3, 4],
      [9, 8],
    ])
    expect(set.ranges()).toEqual([[1, 6]])
    expect(set.contiguousFrom(1)).toBe(6)
    expect(set.contiguousFrom(7)).toBe(6)
    expect(set.gaps(7, 6)).toEqual([])
  })

  it('refuses what is no list of ranges, and too many of them', () => {
    for (const value of [
      null,
      {},
      [[1]],
      [[2, 1]],
      [[-1, 1]],
      [[0.5, 1]],
      [['1', '2']],
      [[1, Infinity]],
      [[1, 2, 3]],
    ])
      expect(RangeSet.parse(value, 10)).toBeUndefined()
    expect(
      RangeSet.parse(
        [
          [1, 1],
          [3, 3],
        ],
        1,
      ),
    ).toBeUndefined()
    expect(
      RangeSet.parse(
        [
          [1, 1],
          [3, 3],
        ],
        2,
      )?.count,
    ).toBe(2)
  })
})
