import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { columnsOf, InstrumentMinute } from '../../agent/minutes/minutes.js'
import { exclusionCode, markBit, monoSeconds, type Channel } from '../../agent/terms/terms.js'

const channels: Channel[] = [
  { key: 'pm2_5', name: 'pm2_5', basis: 'measured', scaling: 'atmospheric' },
  { key: 'n0_3', name: 'n0_3', basis: 'measured' },
]
const columns = columnsOf(channels)
const at = (channel: string, statistic: string): number =>
  columns.findIndex((c) => c.channel === channel && c.statistic === statistic)

const mono = monoSeconds
const minute = (cap = 500, start = 0) => new InstrumentMinute(channels, mono(start), cap)
const add = (m: InstrumentMinute, t: number, pm: number, exclusion = 0, marks = 0) =>
  m.add(Float64Array.of(pm, 100), mono(t), exclusion, marks)
const close = (m: InstrumentMinute, t: number, planned = 60) => {
  const values = new Float64Array(columns.length)
  const seconds = m.close(mono(t), planned, values, 0)
  return { ...seconds, value: (statistic: string, channel = 'pm2_5') => values[at(channel, statistic)] }
}

describe('the minute', () => {
  it('weights each reading by the time to the next, at most 3 s', () => {
    const m = minute()
    add(m, 0, 10)
    add(m, 1, 40)
    add(m, 3, 100)
    const r = close(m, 60)
    // 1 s of 10, 2 s of 40, 3 s of 100 (then nothing came)
    expect(r.used).toBeCloseTo(6, 9)
    expect(r.value('mean')).toBeCloseTo((10 + 80 + 300) / 6, 9)
    expect(r.excluded['no-data']).toBeCloseTo(54, 9)
  })

  it('splits the cover of a reading at the edge of the record', () => {
    const m = minute()
    add(m, 59, 10)
    expect(close(m, 60).used).toBeCloseTo(1, 9)
    add(m, 61.5, 20)
    const next = close(m, 120)
    expect(next.used).toBeCloseTo(1.5 + 3, 9)
    expect(next.value('mean')).toBeCloseTo((10 * 1.5 + 20 * 3) / 4.5, 9)
  })

  it('counts a mass over the range as the cap, and keeps it in the maximum and in the mean of all readings', () => {
    const m = minute(500)
    for (let t = 0; t < 60; t++) add(m, t, t < 30 ? 100 : 900, 0, t < 30 ? 0 : markBit('over-range'))
    const r = close(m, 60)
    expect(r.value('mean')).toBeCloseTo(300, 9)
    expect(r.value('max')).toBe(900)
    expect(r.value('all')).toBeCloseTo(500, 9)
    expect(r.marked['over-range']).toBeCloseTo(30, 9)
  })

  it('keeps excluded readings out of the mean but in the mean of all readings', () => {
    const m = minute()
    for (let t = 0; t < 60; t++) add(m, t, t < 20 ? 200 : 20, t < 20 ? exclusionCode('warm-up') : 0)
    const r = close(m, 60)
    expect(r.value('mean')).toBeCloseTo(20, 9)
    expect(r.value('all')).toBeCloseTo(80, 9)
    expect(r.excluded['warm-up']).toBeCloseTo(20, 9)
    expect(r.used).toBeCloseTo(40, 9)
  })

  it('has no mean, rather than zero, when nothing counted', () => {
    const r = close(minute(), 60)
    expect(r.value('mean')).toBeNaN()
    expect(r.value('max')).toBeNaN()
    expect(r.value('used')).toBe(0)
    expect(r.excluded).toEqual({ 'no-data': 60 })
  })

  it('gives the spread of the readings (textbook: 2 4 4 4 5 5 7 9 has mean 5 and population deviation 2)', () => {
    const m = minute(500, 0)
    ;[2, 4, 4, 4, 5, 5, 7, 9].forEach((v, t) => add(m, t, v))
    const r = close(m, 8, 8)
    expect(r.value('mean')).toBeCloseTo(5, 12)
    expect(r.value('sd')).toBeCloseTo(2, 12)
  })

  it('covers nothing beyond the moment the sensor was lost', () => {
    const m = minute()
    add(m, 10, 50)
    m.interrupted(mono(10.5))
    expect(close(m, 60).used).toBeCloseTo(0.5, 9)
  })

  it('accounts for every planned second as used or excluded, whatever comes (property)', () => {
    const seed = 20260301
    console.info(`minutes property, seed ${seed}`)
    const readings = fc.array(
      fc.record({
        gap: fc.double({ min: 0, max: 9, noNaN: true }),
        value: fc.integer({ min: 0, max: 900 }),
        out: fc.boolean(),
      }),
      { maxLength: 80 },
    )
    fc.assert(
      fc.property(readings, (list) => {
        const m = minute()
        let t = 0
        for (const { gap, value, out } of list) {
          t += gap
          if (t >= 60) break
          add(m, t, value, out ? exclusionCode('sensor-error') : 0)
        }
        const r = close(m, 60)
        const excluded = Object.values(r.excluded).reduce((a, b) => a + b, 0)
        expect(r.used + excluded).toBeCloseTo(60, 6)
        if (r.used > 0) {
          expect(r.value('mean')).toBeGreaterThanOrEqual(0)
          expect(r.value('mean')).toBeLessThanOrEqual(Math.min(500, r.value('max')) + 1e-9)
        }
      }),
      { seed, numRuns: 500 },
    )
  })
})

describe('the worst hour', () => {
  it('counts all readings from five minutes after power-on and comes within 2 % of a hand sum with 500 as the cap', async () => {
    const { Screen, usualScreening } = await import('../../agent/screening/screening.js')
    const screen = new Screen(channels, [], usualScreening)
    screen.started(mono(0))
    const m = minute()
    let handSum = 0
    let handSeconds = 0
    let sum = 0
    let used = 0
    for (let t = 0; t < 3600; t++) {
      const value = 460 + 440 * Math.sin(t / 17) // 20 to 900, never settling
      const values = Float64Array.of(value, 1000 + (t % 3))
      screen.judge(values, 0, mono(t))
      m.add(values, mono(t), screen.exclusion, screen.marks, screen.spikeBefore)
      if (t >= 300) {
        handSum += Math.min(500, value)
        handSeconds++
      }
      if (t % 60 === 59) {
        const r = close(m, t + 1)
        if (r.used > 0) sum += r.value('mean') * r.used
        used += r.used
        if (t > 300) expect(r.used).toBeCloseTo(60, 6)
      }
    }
    expect(used).toBeCloseTo(3300, 6)
    expect(Math.abs(sum / used - handSum / handSeconds) / (handSum / handSeconds)).toBeLessThan(0.02)
  })

  it('keeps 95 % data capture with frames every 2.3 s', () => {
    const m = minute()
    for (let t = 0; t < 60; t += 2.3) add(m, t, 20)
    expect(close(m, 60).used).toBeGreaterThan(57)
  })
})
