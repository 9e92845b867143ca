/** Whom the clock believes where sources contradict each other. */
import { describe, expect, it } from 'vitest'
import { StationClock, usualClock, type AnchorPoint } from '../../agent/clock/clock.js'
import { monoSeconds, utcMillis, type UtcView } from '../../agent/terms/terms.js'

const truth = Date.UTC(2026, 10, 25, 12)
const mono = monoSeconds
const hour = 3600

const newClock = (): StationClock =>
  new StationClock({ ...usualClock, notBefore: utcMillis(Date.UTC(2026, 10, 1)) })
const nobody: UtcView = { at: utcMillis(0), errorSeconds: Infinity }
const board = (now: number, source: string, offSeconds = 0, errorSeconds = 0.5): UtcView => ({
  at: utcMillis(truth + (now + offSeconds) * 1000),
  source,
  errorSeconds,
})
const claim = (now: number, source: string, offSeconds: number, errorSeconds: number): AnchorPoint => ({
  mono: mono(now),
  utc: utcMillis(truth + (now + offSeconds) * 1000),
  source,
  errorSeconds,
})
const offOf = (clock: StationClock, now: number): number => (clock.at(mono(now))! - truth) / 1000 - now

describe('of two sources that contradict each other', () => {
  it.each([
    ['rtc', 60, 'person', 10],
    ['rtc', 60, 'modem', 60],
    ['person', 10, 'modem', 60],
    ['modem', 60, 'satellite', 1],
  ])('%s gives way to the better kind, and is told', (worse, worseError, better, betterError) => {
    const clock = newClock()
    const worseView = worse === 'rtc' ? board(0, 'rtc', 7 * hour, worseError) : nobody
    if (worse !== 'rtc') clock.hear(claim(0, worse, 7 * hour, worseError))
    expect(clock.look(mono(0), worseView).turned).toBe('trusted')
    clock.hear(claim(60, better, 0, betterError))
    const view = worse === 'rtc' ? board(60, 'rtc', 7 * hour, worseError) : nobody
    expect(clock.look(mono(60), view)).toMatchObject({ turned: 'stepped', disproves: true })
    expect(offOf(clock, 60)).toBeCloseTo(0, 3)
    expect(clock.refused).toMatchObject({ why: 'disputed', claim: { source: worse } })
  })

  it('a person never takes over from the network, and a wider bound never from a narrower that agrees', () => {
    const clock = newClock()
    clock.look(mono(0), board(0, 'ntp'))
    const person = claim(60, 'person', hour, 10)
    expect(clock.against(person)).toMatchObject({ why: 'disputed' })
    clock.hear(person)
    clock.hear(claim(60, 'modem', 20, 60))
    clock.look(mono(60), board(60, 'ntp'))
    expect(offOf(clock, 60)).toBeCloseTo(0, 3)
    expect(clock.source?.source).toBe('ntp')
  })

  it('two that are independent outvote the network, and no two sources of the same wall clock do', () => {
    const clock = newClock()
    clock.look(mono(0), board(0, 'ntp', 50 * 365 * 86_400))
    clock.hear(claim(60, 'satellite', 0, 1))
    clock.look(mono(60), board(60, 'ntp', 50 * 365 * 86_400))
    expect(offOf(clock, 60)).toBeGreaterThan(hour)
    clock.hear(claim(120, 'modem', 3, 60))
    expect(clock.look(mono(120), board(120, 'ntp', 50 * 365 * 86_400)).disproves).toBe(true)
    expect(offOf(clock, 120)).toBeCloseTo(0, 3)
    clock.look(mono(180), board(180, 'rtc', 50 * 365 * 86_400, 60))
    expect(offOf(clock, 180)).toBeCloseTo(0, 3)
  })

  it('what a person confirmed holds against the source it spoke against, until that says something else', () => {
    const clock = newClock()
    clock.look(mono(0), board(0, 'ntp', 86_400))
    clock.hear(claim(60, 'person', 0, 10), true)
    expect(clock.look(mono(60), board(60, 'ntp', 86_400)).turned).toBe('stepped')
    clock.look(mono(120), board(120, 'ntp', 86_400))
    expect(offOf(clock, 120)).toBeCloseTo(0, 3)
    expect(clock.refused?.why).toBe('disputed')
    clock.look(mono(180), board(180, 'ntp', 2))
    expect(clock.source?.source).toBe('ntp')
    expect(offOf(clock, 180)).toBeCloseTo(2, 3)
    expect(clock.refused).toBeUndefined()
  })

  it('a worse source of the same clock takes nothing back while it agrees', () => {
    const clock = newClock()
    clock.look(mono(0), board(0, 'ntp'))
    expect(clock.look(mono(60), board(60, 'rtc', 0, 60))).toEqual({})
    expect(clock.errorAt(mono(60))).toBeLessThan(1)
  })
})

describe('the newest time of the store', () => {
  const stored = (source: string, offSeconds: number, errorSeconds = 1) => ({
    utc: utcMillis(truth + offSeconds * 1000),
    source,
    errorSeconds,
  })

  it('keeps a clock that was set back from being believed (PC-18), but for what both may be off', () => {
    const clock = newClock()
    clock.remember(stored('system', 0))
    clock.look(mono(0), board(0, 'system', -600, 1))
    expect(clock.trusted).toBe(false)
    expect(clock.refused?.why).toBe('before-store')
    clock.look(mono(60), board(60, 'system', -61, 1))
    expect(clock.trusted).toBe(true)
  })

  it('gives way to a better kind of source at once, and to a like one after a day', () => {
    const better = newClock()
    better.remember(stored('rtc', 50 * 365 * 86_400))
    expect(better.look(mono(0), board(0, 'ntp'))).toMatchObject({ turned: 'trusted', disproves: true })
    const like = newClock()
    like.remember(stored('ntp', 50 * 365 * 86_400))
    for (let t = 0; t < 86_400; t += 600) like.look(mono(t), board(t, 'ntp'))
    expect(like.trusted).toBe(false)
    expect(like.look(mono(86_400), board(86_400, 'ntp'))).toMatchObject({
      turned: 'trusted',
      disproves: true,
    })
  })

  it('is not outwaited by a source that changes its mind', () => {
    const clock = newClock()
    clock.remember(stored('ntp', 86_400))
    for (let t = 0; t < 90_000; t += 600)
      clock.look(mono(t), board(t, 'ntp', -((t / 600) % 2) * hour - 90_000))
    expect(clock.trusted).toBe(false)
  })
})
