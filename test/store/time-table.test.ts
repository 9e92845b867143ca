import { describe, expect, it } from 'vitest'
import { TimeTable } from '../../agent/store/store.js'
import { monoSeconds, utcMillis, utcText, type AnchorLine } from '../../agent/terms/terms.js'

const noon = Date.UTC(2026, 2, 3, 12)

const anchor = (seq: number, mono: number, utcSeconds: number, boot = '0a1b2c3d'): AnchorLine => ({
  kind: 'anchor',
  seq,
  boot,
  mono: monoSeconds(mono),
  utc: utcMillis(noon + utcSeconds * 1000),
  source: 'ntp',
  errorSeconds: 0.1,
})

describe('the time of what was recorded without', () => {
  it('comes from a later time check of the same boot', () => {
    const placed = new TimeTable([anchor(9, 3600, 0)]).at('0a1b2c3d', monoSeconds(1800))!
    expect(utcText(placed.utc)).toBe('2026-03-03T11:30:00Z')
    // 0.1 s of the check and 100 ppm of half an hour.
    expect(placed.errorSeconds).toBeCloseTo(0.1 + 0.18, 9)
    expect(placed.interpolated).toBe(false)
  })

  it('is not guessed for a boot without any time check', () => {
    expect(new TimeTable([anchor(9, 3600, 0)]).at('ffffffff', monoSeconds(1800))).toBeUndefined()
    expect(new TimeTable().at('0a1b2c3d', monoSeconds(0))).toBeUndefined()
  })

  it('is interpolated between two checks, whatever the order in which they are met', () => {
    // The board runs 50 ppm slow: 7200 s of it are 7200.36 s.
    const table = new TimeTable([anchor(20, 9200, 7200.36), anchor(9, 2000, 0)])
    const placed = table.at('0a1b2c3d', monoSeconds(5600))!
    expect(placed.utc - noon).toBeCloseTo(3_600_180, 3)
    expect(placed).toMatchObject({ interpolated: true })
    expect(placed.errorSeconds).toBeCloseTo(0.1 + 0.36, 9)
  })

  it('is within a second up to two hours from a check', () => {
    const placed = new TimeTable([anchor(9, 10_000, 0)]).at('0a1b2c3d', monoSeconds(10_000 + 7200))!
    expect(placed.errorSeconds).toBeLessThanOrEqual(1)
  })

  it('follows the later check where the clock was set in between', () => {
    const table = new TimeTable([anchor(9, 1000, 0), anchor(20, 2000, 90_000)])
    expect(table.at('0a1b2c3d', monoSeconds(1500))!.utc - noon).toBe(89_500_000)
    expect(table.at('0a1b2c3d', monoSeconds(900))!.utc - noon).toBe(-100_000)
  })
})
