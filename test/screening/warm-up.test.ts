import { describe, expect, it } from 'vitest'
import { warmUpAfter } from '../../agent/screening/screening.js'

const after = (seconds: number, powered: boolean, temperatureC = NaN): number =>
  warmUpAfter(60, { seconds, powered, temperatureC })

describe('the least warm-up', () => {
  it('is 60 s after a start of which nothing is known', () => {
    expect(after(NaN, false)).toBe(60)
    expect(after(NaN, true)).toBe(60)
  })

  it('is 30 s after less than an hour asleep, and 60 s from an hour on', () => {
    expect(after(3599, true)).toBe(30)
    expect(after(3600, true)).toBe(60)
  })

  it('is 60 s after a short loss of power, since the fan stood still without warning', () => {
    expect(after(10, false)).toBe(60)
  })

  it('is 120 s after a day off or asleep', () => {
    expect(after(86_399, false)).toBe(60)
    expect(after(86_400, false)).toBe(120)
    expect(after(86_400, true)).toBe(120)
  })

  it('is 120 s below freezing, whatever went before', () => {
    expect(after(60, true, -0.1)).toBe(120)
    expect(after(60, true, 0)).toBe(30)
    expect(after(60, false, NaN)).toBe(60)
  })

  it('is none where the settings say 0', () => {
    expect(warmUpAfter(0, { seconds: 90_000, powered: false, temperatureC: -5 })).toBe(0)
  })
})
