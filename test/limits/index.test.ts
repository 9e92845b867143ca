import { describe, expect, it } from 'vitest'
import { airIndex, dayValue, indexOf, indexWords, nowCast, plainDay } from '../../agent/limits/limits.js'
import { shippedSets } from './made.js'

const us = shippedSets().find(({ name }) => name === 'us-national')!
const table = us.index.find(({ channel }) => channel === 'pm2_5')!
const constant = (mean: number | undefined, hours = 12) => Array<number | undefined>(hours).fill(mean)

describe('the NowCast', () => {
  it('of twelve equal tenths is that tenth, cut and all', () => {
    for (const mean of [0.1, 0.7, 12.7, 35.4])
      expect(nowCast(constant(mean), 'pm2_5')).toMatchObject({ weight: 1, cutValue: mean, hours: 12 })
  })

  it('takes a negative hour for zero and keeps its weight between 0.5 and 1', () => {
    expect(nowCast(constant(-2), 'pm2_5')).toMatchObject({ valid: true, weight: 1, value: 0, cutValue: 0 })
    expect(nowCast([10, -5, 10, ...constant(10, 9)], 'pm2_5')).toMatchObject({ valid: true, weight: 0.5 })
  })

  it('needs two of the newest three hours and none of the rest', () => {
    expect(nowCast([5, undefined, 5], 'pm10')).toMatchObject({ valid: true, hours: 2, value: 5 })
    expect(nowCast([undefined, NaN, 5, ...constant(5, 9)], 'pm10').valid).toBe(false)
    expect(nowCast([], 'pm2_5').valid).toBe(false)
  })

  it('does not look beyond the twelfth hour', () => {
    expect(nowCast([...constant(10), 9000], 'pm2_5')).toEqual(nowCast(constant(10), 'pm2_5'))
  })
})

describe('the air quality index', () => {
  const day = dayValue(Array<number>(24).fill(35.9), plainDay)
  const source = { kind: '24-hour', figure: day } as const

  it('is given for a valid day and for a NowCast of the US set', () => {
    expect(airIndex(us, 'pm2_5', source, '2026-03-01')).toMatchObject({ ok: true, value: { index: 102 } })
    const now = { kind: 'nowcast', figure: nowCast(constant(9.1), 'pm2_5') } as const
    expect(airIndex(us, 'pm2_5', now, '2026-03-01')).toMatchObject({
      value: { index: 51, category: 'Moderate' },
    })
  })

  it('does not exist for another set, a channel without breakpoints, an older day, or too few hours', () => {
    for (const set of shippedSets().filter(({ name }) => name !== 'us-national'))
      expect(airIndex(set, 'pm2_5', source, '2026-03-01')).toEqual({ ok: false, reason: 'set-has-no-index' })
    expect(airIndex(us, 'pm1', source, '2026-03-01')).toEqual({ ok: false, reason: 'set-has-no-index' })
    expect(airIndex(us, 'pm2_5', source, '2024-05-05')).toEqual({ ok: false, reason: 'not-in-force' })
    const short = { kind: '24-hour', figure: dayValue([5, 5], plainDay) } as const
    expect(airIndex(us, 'pm2_5', short, '2026-03-01')).toEqual({ ok: false, reason: 'figure-not-valid' })
  })

  it('is 0 at zero and below, and carries the slope of the last row on above it', () => {
    expect(indexOf(table, -3)).toMatchObject({ index: 0, category: 'Good', aboveTable: false })
    expect(indexOf(table, 325.4)).toMatchObject({ index: 500, aboveTable: false })
    expect(indexOf(table, 350)).toMatchObject({ index: 549, category: 'Hazardous', aboveTable: true })
  })

  it('is told with its category, what it was taken of and its document', () => {
    expect(indexWords(indexOf(table, 35.9), '24-hour')).toBe(
      'index 102, Unhealthy for Sensitive Groups, from the 24-hour mean of 35.9 (EPA-454/B-24-002 (May 2024))',
    )
    expect(indexWords(indexOf(table, 350), 'nowcast')).toContain(
      'index 549, above its table, Hazardous, from the NowCast',
    )
  })

  it('rises with every step, never falls, and its ties never fall on a half', () => {
    for (const { rows, ...rest } of us.index) {
      const top = 4 * rows[rows.length - 1].high
      const step = Number(rest.step.top) / Number(rest.step.bottom)
      let before = -1
      for (let i = 0; i * step <= top; i++) {
        const { index, unrounded } = indexOf({ rows, ...rest }, i * step)
        expect(index >= before && Math.abs((unrounded % 1) - 0.5) > 1e-9, `${i * step}`).toBe(true)
        before = index
      }
    }
  })
})
