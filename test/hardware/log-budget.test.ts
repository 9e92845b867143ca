import { describe, expect, it } from 'vitest'
import { LogBudget, mostAlikeAnHour, mostBytesADay } from '../../agent/hardware/log-budget.js'

describe('the budget of the log', () => {
  it('lets the same words pass twelve times an hour, and tells with the next how many it held back', () => {
    const budget = new LogBudget()
    const passed = Array.from({ length: 100 }, (_, i) => budget.take('over', 100, i))
    expect(passed.filter((one) => one !== undefined)).toEqual(Array<number>(mostAlikeAnHour).fill(0))
    expect(budget.take('something else', 100, 100)).toBe(0)
    expect(budget.take('over', 100, 3600)).toBe(100 - mostAlikeAnHour)
    expect(budget.take('over', 100, 3601)).toBe(0)
  })

  it('lets a day of the worst flapping write no more than a megabyte, and speaks again the next day', () => {
    const budget = new LogBudget()
    let bytes = 0
    for (let second = 0; second < 86_400; second++)
      for (let fault = 0; fault < 100; fault++)
        if (budget.take(`fault ${fault}`, 500, second) !== undefined) bytes += 500
    expect(bytes).toBeGreaterThan(mostBytesADay / 2)
    expect(bytes).toBeLessThanOrEqual(mostBytesADay)
    expect(budget.take('fault 1', 500, 86_400)).toBeGreaterThan(10_000)
  })
})
