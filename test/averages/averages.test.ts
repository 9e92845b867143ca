import { describe, expect, it } from 'vitest'
import { ChannelAverages } from '../../agent/averages/averages.js'
import { isBalanced, monoSeconds } from '../../agent/terms/terms.js'

const mono = monoSeconds

function minutes(
  list: readonly { mean: number; used?: number; planned?: number; over?: boolean }[],
  from = 0,
): ChannelAverages {
  const averages = new ChannelAverages()
  list.forEach(({ mean, used = 60, planned = 60, over = false }, i) =>
    averages.add(mono(from + i * 60), 60, planned, used, mean, over),
  )
  return averages
}
const many = (n: number, mean: number) => Array.from({ length: n }, () => ({ mean }))

describe('averages', () => {
  it('are weighted by used seconds over exactly the window', () => {
    const a = minutes([...many(50, 1000), ...many(9, 20), { mean: 50, used: 30 }])
    const ten = a.mean('10-min', mono(3600))
    expect(ten.usedSeconds).toBe(9 * 60 + 30)
    expect(ten.mean).toBeCloseTo((9 * 60 * 20 + 30 * 50) / 570, 9)
    expect(a.mean('1-h', mono(3600)).mean).toBeCloseTo((50 * 60 * 1000 + 9 * 60 * 20 + 30 * 50) / 3570, 9)
  })

  it('name data capture and sampled share apart: 5 planned minutes of 60 fully used are 100 % and 8 %', () => {
    const plan = Array.from({ length: 60 }, (_, i) =>
      i < 5 ? { mean: 10, used: 60, planned: 60 } : { mean: NaN, used: 0, planned: 0 },
    )
    const hour = minutes(plan).mean('1-h', mono(3600))
    expect(hour.dataCapture).toBe(1)
    expect(hour.sampledShare).toBeCloseTo(5 / 60, 9)
    expect(hour.mean).toBe(10)
  })

  it('give no mean, rather than zero, where nothing was used', () => {
    const hour = minutes([{ mean: NaN, used: 0 }]).mean('1-h', mono(60))
    expect(hour.mean).toBeNaN()
    expect(hour.dataCapture).toBe(0)
  })

  it('say at least when a part was over range, and no longer once it has left the window', () => {
    const a = minutes([{ mean: 500, over: true }, ...many(10, 20)])
    expect(a.mean('10-min', mono(600)).atLeast).toBe(true)
    expect(a.mean('10-min', mono(660)).atLeast).toBe(false)
  })

  it('hold a day of minutes with short records among them, and forget the oldest beyond', () => {
    const a = minutes(many(4000, 7))
    const day = a.mean('24-h', mono(4000 * 60))
    expect(day.usedSeconds).toBe(86_400)
    expect(day.mean).toBeCloseTo(7, 9)
  })

  it('refuse a record from before the newest, and balance', () => {
    const a = minutes(many(3, 5), 600)
    a.add(mono(0), 60, 60, 60, 99, false)
    expect(a.mean('1-h', mono(780)).mean).toBe(5)
    expect(a.counts().refused).toEqual({ 'out-of-order': 1 })
    expect(isBalanced(a.counts())).toBe(true)
  })

  it('take records of earlier boots in front, once their time is known, and none twice', () => {
    const now = minutes(many(5, 10), 3000)
    const older = minutes(many(52, 40), 0)
    older.followWith(now)
    const hour = older.mean('1-h', mono(3300))
    expect(hour.usedSeconds).toBe(55 * 60)
    expect(hour.mean).toBeCloseTo((52 * 40 + 3 * 10) / 55, 9)
  })

  it('do not cross a moment that they were told to forget, and say how much was recorded', () => {
    const a = minutes(many(60, 5), 0)
    a.forgetBefore(mono(3000))
    const hour = a.mean('1-h', mono(3600))
    expect(hour).toMatchObject({ usedSeconds: 600, recordedSeconds: 600, dataCapture: 1 })
    expect(hour.sampledShare).toBeCloseTo(1 / 6, 9)
  })

  it('keep an excluded span planned and count nothing of it', () => {
    const a = minutes([...many(30, 5), ...many(30, 50)], 0)
    a.exclude(mono(1770), mono(3570))
    const hour = a.mean('1-h', mono(3600))
    expect(hour.mean).toBe(5)
    expect(hour).toMatchObject({ usedSeconds: 29 * 60, plannedSeconds: 3600 })
  })
})
