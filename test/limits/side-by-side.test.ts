import { describe, expect, it } from 'vitest'
import { notCompared, uncertaintyAfter, type Correction } from '../../agent/limits/limits.js'
import { straightLine } from './made-corrections.js'

const interval = {
  levels: [
    { raw: 10, interval: [8, 12] as const },
    { raw: 40, interval: [30, 42] as const },
  ],
}
const compared: Correction = { ...straightLine, run: { from: '2026-03-01', to: '2026-03-31', interval } }

describe('the uncertainty after a side-by-side run', () => {
  it('is half the interval of the corrected value, between two levels in proportion', () => {
    expect(uncertaintyAfter(compared, 10)).toEqual({ relative: 0, absolute: 2, source: 'side-by-side' })
    expect(uncertaintyAfter(compared, 25).absolute).toBe(4)
    expect(uncertaintyAfter(compared, 40).absolute).toBe(6)
  })

  it('is the widest beyond the levels of the file', () => {
    expect(uncertaintyAfter(compared, 5).absolute).toBe(6)
    expect(uncertaintyAfter(compared, 80).absolute).toBe(6)
  })

  it('stays that of a sensor not compared where the file tells no interval', () => {
    expect(uncertaintyAfter(straightLine, 20)).toEqual(notCompared)
    expect(uncertaintyAfter({ ...compared, run: { from: '2026-03-01', to: '2026-03-31' } }, 20)).toEqual(
      notCompared,
    )
  })

  it('is the wider of two runs for what lies between them, and that of the run that applies else', () => {
    const wide = { levels: [{ raw: 10, interval: [0, 20] as const }] }
    const earlier = {
      apply: 'linear',
      runs: [{ form: straightLine.form, from: '2026-01-01', to: '2026-01-31', interval: wide }],
    } as const
    const both: Correction = { ...compared, earlier }
    expect(uncertaintyAfter(both, 10, Date.UTC(2026, 1, 15)).absolute).toBe(10)
    expect(uncertaintyAfter(both, 10, Date.UTC(2026, 5, 1)).absolute).toBe(2)
    expect(uncertaintyAfter(both, 10, Date.UTC(2025, 5, 1)).absolute).toBe(10)
    expect(uncertaintyAfter({ ...both, earlier: { ...earlier, apply: 'last' } }, 10).absolute).toBe(2)
    expect(uncertaintyAfter({ ...both, earlier: { ...earlier, apply: 'first' } }, 10).absolute).toBe(10)
  })
})
