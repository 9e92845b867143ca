/** The short form of year.soak.ts: the same code, days in place of a year. */
import { expect, it } from 'vitest'
import { Endurance, enduredWords } from './endurance.js'

it('lives through days with cuts, lost links and wrong clocks: every stage adds up, the archive holds each line once', async () => {
  const options = {
    ...{ days: 5, seed: Date.now() % 2 ** 31, cutEveryDays: 1 },
    capacityBytes: 1_500_000,
  }
  const endured = await new Endurance(options).run()
  for (const words of enduredWords(endured, options)) console.info(words)
  expect(endured.unbalanced).toEqual([])
  expect(endured.missing).toBe(0)
  expect(endured.twice).toBe(0)
  expect(endured.conflicts).toBe(0)
  expect(endured.frames).toBeGreaterThan(5 * 86_000)
  expect(endured.mostDiskBytes).toBeLessThan(options.capacityBytes)
}, 120_000)
