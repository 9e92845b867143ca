import { describe, expect, it } from 'vitest'
import { StationClock, usualClock } from '../../agent/clock/clock.js'
import { monoSeconds, utcMillis, type UtcView } from '../../agent/terms/terms.js'

const start = Date.UTC(2026, 2, 1, 6, 0, 0)
const clockFrom = (notBefore = start - 1000) =>
  new StationClock({ ...usualClock, notBefore: utcMillis(notBefore) })
const view = (at: number, source: string | undefined = 'ntp'): UtcView => ({
  at: utcMillis(at),
  source,
  errorSeconds: 0.5,
})
const mono = monoSeconds

describe('the clock', () => {
  it('knows no UTC until a source vouches for it, and then for the whole boot', () => {
    const clock = clockFrom()
    expect(clock.look(mono(10), view(0, undefined))).toEqual({})
    expect(clock.at(mono(10))).toBeUndefined()
    expect(clock.errorAt(mono(10))).toBe(Infinity)
    const news = clock.look(mono(400), view(start))
    expect(news.turned).toBe('trusted')
    // A record at 12.5 s of boot, a time check at 400 s: the record is 387.5 s older (vector 'retime-before-sync', rule).
    expect(clock.at(mono(12.5))).toBe(start - 387_500)
  })

  it('bounds its error by the anchor and 100 ppm of the distance', () => {
    const clock = clockFrom()
    clock.look(mono(0), view(start))
    expect(clock.errorAt(mono(5000))).toBeCloseTo(1.0, 9)
    expect(clock.errorAt(mono(0))).toBe(0.5)
  })

  it.each([1.5, -90, 86_400, -3 * 365 * 86_400 + 40 * 86_400])(
    'notices a step of %d s and anchors anew',
    (step) => {
      const clock = clockFrom(0)
      clock.look(mono(0), view(start))
      const news = clock.look(mono(60), view(start + 60_000 + step * 1000))
      expect(news.turned).toBe('stepped')
      expect(news.stepSeconds).toBeCloseTo(step, 6)
      expect(clock.at(mono(60))).toBe(start + 60_000 + step * 1000)
    },
  )

  it('takes drift for drift: an anchor an hour, no step', () => {
    const clock = clockFrom()
    clock.look(mono(0), view(start))
    let anchors = 0
    for (let t = 60; t <= 7200; t += 60) {
      const news = clock.look(mono(t), view(start + t * 1000 * (1 + 50e-6)))
      expect(news.turned).toBeUndefined()
      if (news.anchor) anchors++
    }
    expect(anchors).toBe(2)
  })

  it('refuses a time before the program was made, such as one 1,024 weeks back (PC-21)', () => {
    const clock = clockFrom(start)
    expect(clock.look(mono(5), view(start - 7168 * 86_400_000))).toEqual({})
    expect(clock.refused?.why).toBe('before-program')
    expect(clock.trusted).toBe(false)
    clock.look(mono(65), view(start + 1000))
    expect(clock.trusted).toBe(true)
    expect(clock.refused).toBeUndefined()
  })

  it('keeps its last anchor when the source falls silent', () => {
    const clock = clockFrom()
    clock.look(mono(0), view(start))
    expect(clock.look(mono(60), view(0, undefined))).toEqual({})
    expect(clock.at(mono(60))).toBe(start + 60_000)
  })

  it('finds the next UTC minute', () => {
    const clock = clockFrom()
    expect(clock.secondsToEdge(mono(0), 60)).toBe(60)
    clock.look(mono(0), view(start + 12_250))
    expect(clock.secondsToEdge(mono(0), 60)).toBeCloseTo(47.75, 9)
    expect(clock.secondsToEdge(mono(47.75), 60)).toBe(60)
  })
})
