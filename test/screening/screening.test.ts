import { describe, expect, it } from 'vitest'
import { Screen, usualScreening, type ScreeningOptions } from '../../agent/screening/screening.js'
import { exclusions, marks, monoSeconds, type Channel, type ChannelName } from '../../agent/terms/terms.js'

const names: ChannelName[] = ['pm1', 'pm2_5', 'pm10', 'n0_3', 'n2_5']
const channels: Channel[] = names.map((name) => ({ key: name, name, basis: 'measured' }))
const order = [
  [0, 1],
  [1, 2],
  [4, 3],
] as const

const reading = (pm2_5: number, n0_3 = 1000): Float64Array =>
  Float64Array.of(pm2_5 * 0.7, pm2_5, pm2_5 * 1.2, n0_3, 9)

function screenAt(options: Partial<ScreeningOptions> = {}): Screen {
  const screen = new Screen(channels, order, { ...usualScreening, ...options })
  screen.started(monoSeconds(0))
  return screen
}

const exclusion = (screen: Screen): string =>
  screen.exclusion === 0 ? 'counts' : exclusions[screen.exclusion - 1]
const marked = (screen: Screen): string[] => marks.filter((_, i) => screen.marks & (1 << i))

/** Feeds one reading a second, from `from` on, and returns the verdict of each. */
function feed(screen: Screen, from: number, values: readonly number[], n0_3?: number): string[] {
  return values.map((value, i) => {
    // A trembling last count keeps an even stream from being stuck.
    const r = reading(value, n0_3)
    if (n0_3 === undefined) r[3] += (from + i) % 2
    screen.judge(r, 0, monoSeconds(from + i))
    return exclusion(screen)
  })
}

const steady = (seconds: number, value = 20): number[] => Array.from({ length: seconds }, () => value)

describe('warm-up', () => {
  it('excludes readings before 60 s and uses them after, once five 10-s means are level', () => {
    const verdicts = feed(screenAt(), 1, steady(90))
    expect(verdicts.slice(0, 59).every((v) => v === 'warm-up')).toBe(true)
    expect(verdicts.slice(60).every((v) => v === 'counts')).toBe(true)
  })

  it('keeps excluding while the 10-s means still fall, and counts them settled afterwards', () => {
    const falling = Array.from({ length: 180 }, (_, i) => 20 + Math.max(0, 100 - i))
    const verdicts = feed(screenAt(), 1, falling)
    const firstUsed = verdicts.indexOf('counts')
    expect(firstUsed).toBeGreaterThan(130)
    expect(firstUsed).toBeLessThan(165)
  })

  it('counts from 300 s on in air that never settles, marked not settled until 900 s', () => {
    const screen = screenAt()
    const wild = Array.from({ length: 299 }, (_, i) => (i % 20 < 10 ? 20 : 400))
    expect(feed(screen, 1, wild).every((v) => v === 'warm-up')).toBe(true)
    expect(feed(screen, 300, [20])).toEqual(['counts'])
    expect(marked(screen)).toContain('not-settled')
    feed(
      screen,
      301,
      Array.from({ length: 600 }, (_, i) => (i % 20 < 10 ? 20 : 400)),
    )
    expect(marked(screen)).not.toContain('not-settled')
  })

  it('uses a shorter warm-up when told, and none when it is zero', () => {
    const short = screenAt()
    short.started(monoSeconds(1000), 30)
    const verdicts = feed(short, 1001, steady(60))
    expect(verdicts.slice(0, 29).every((v) => v === 'warm-up')).toBe(true)
    expect(verdicts[40]).toBe('counts')
    const none = screenAt()
    none.started(monoSeconds(1000), 0)
    expect(feed(none, 1000, [5])).toEqual(['counts'])
  })

  it('begins again after each start', () => {
    const screen = screenAt()
    feed(screen, 1, steady(100))
    screen.started(monoSeconds(200))
    expect(feed(screen, 201, [20])).toEqual(['warm-up'])
  })
})

describe('readings that must not count', () => {
  it('excludes a frame with an error code', () => {
    const screen = screenAt({ warmUpSeconds: 0 })
    screen.started(monoSeconds(0), 0)
    screen.judge(reading(5), 3, monoSeconds(1))
    expect(exclusion(screen)).toBe('sensor-error')
  })

  it('excludes what the quantity cannot be, and a missing value', () => {
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    for (const impossible of [-1, 10_001, NaN]) {
      screen.judge(reading(impossible), 0, monoSeconds(1))
      expect(exclusion(screen)).toBe('impossible')
    }
  })

  it('calls a frame that repeats for 30 min stuck, from then on, and lets go at the first change', () => {
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    const verdicts = steady(1900).map((v, i) => {
      screen.judge(reading(v), 0, monoSeconds(i))
      return exclusion(screen)
    })
    expect(verdicts.indexOf('stuck')).toBe(1800)
    screen.judge(reading(21), 0, monoSeconds(1901))
    expect(exclusion(screen)).toBe('counts')
  })

  it('sees masses and counts that repeat although the temperature beside them wanders', () => {
    const withTemperature: Channel[] = [
      ...channels,
      { key: 'temperature', name: 'temperature', basis: 'measured' },
    ]
    const screen = new Screen(withTemperature, order, usualScreening)
    screen.started(monoSeconds(0), 0)
    const at = (t: number): string => {
      screen.judge(Float64Array.of(...reading(20), 15 + (t % 7)), 0, monoSeconds(t))
      return exclusion(screen)
    }
    for (let t = 0; t < 1800; t++) expect(at(t)).toBe('counts')
    expect(at(1800)).toBe('stuck')
  })

  it('calls an instrument without masses and counts never stuck: steady weather is weather', () => {
    const screen = new Screen([{ key: 'pressure', name: 'pressure', basis: 'measured' }], [], usualScreening)
    screen.started(monoSeconds(0), 0)
    for (let t = 0; t < 4000; t++) {
      screen.judge(Float64Array.of(1013.2), 0, monoSeconds(t))
      expect(exclusion(screen)).toBe('counts')
    }
  })

  it('asks for fan or inlet after 10 min without a single particle outdoors, and never reports 0 as clean air', () => {
    const empty = (i: number) => Float64Array.of(0, 0, i % 2, 0, 0)
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    const verdicts = steady(700).map((_, i) => {
      screen.judge(empty(i), 0, monoSeconds(i))
      return exclusion(screen)
    })
    expect(verdicts.indexOf('fan-or-inlet')).toBe(600)
    expect(verdicts.at(-1)).toBe('fan-or-inlet')
    const indoors = screenAt({ outdoors: false })
    indoors.started(monoSeconds(0), 0)
    steady(700).forEach((_, i) => indoors.judge(empty(i), 0, monoSeconds(i)))
    expect(exclusion(indoors)).toBe('counts')
  })

  it('marks the readings without a particle that come before the ten minutes are over', () => {
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    feed(screen, 1, [5])
    expect(marked(screen)).toEqual([])
    feed(screen, 2, [0], 0)
    expect([exclusion(screen), ...marked(screen)]).toEqual(['counts', 'sizes-inconsistent', 'no-particles'])
    feed(screen, 3, [5])
    expect(marked(screen)).toEqual([])
  })

  it('excludes everything during a visit', () => {
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    screen.surroundings.service = true
    expect(feed(screen, 1, [5])).toEqual(['service'])
  })
})

describe('marks', () => {
  const settled = (): Screen => {
    const screen = screenAt()
    screen.started(monoSeconds(0), 0)
    return screen
  }

  it('marks a mass over the range as at least', () => {
    const screen = settled()
    feed(screen, 1, [900])
    expect(marked(screen)).toEqual(['over-range'])
  })

  it('marks masses and counts that contradict their sizes (FRA-006 and FRA-007 of the published-layout vectors)', () => {
    const screen = settled()
    screen.judge(Float64Array.of(8, 12, 15, 9, 1704), 0, monoSeconds(1))
    expect(marked(screen)).toEqual(['sizes-inconsistent'])
    screen.judge(Float64Array.of(20, 12, 15, 1704, 9), 0, monoSeconds(2))
    expect(marked(screen)).toEqual(['sizes-inconsistent'])
    screen.judge(Float64Array.of(8, 12, 15, 1704, 9), 0, monoSeconds(3))
    expect(marked(screen)).toEqual([])
  })

  it('marks one lonely high reading as a spike, and no plume that lasts', () => {
    const screen = settled()
    const spikes = [10, 10, 200, 10, 10, 200, 210, 220, 10].map((v, i) => {
      screen.judge(reading(v), 0, monoSeconds(i))
      return screen.spikeBefore
    })
    expect(spikes).toEqual([false, false, false, true, false, false, false, false, false])
  })

  it('marks humid from 85 % and fog from 95 % RH, low supply and richer sampling', () => {
    const screen = settled()
    const at = (humidityPercent: number): string[] => {
      screen.surroundings.humidityPercent = humidityPercent
      feed(screen, 1, [5])
      return marked(screen)
    }
    expect(at(84.9)).toEqual([])
    expect(at(85)).toEqual(['humid'])
    expect(at(95)).toEqual(['fog'])
    screen.surroundings.lowSupply = true
    screen.surroundings.onRequest = true
    expect(at(NaN)).toEqual(['low-supply', 'on-request'])
  })
})

describe('balance', () => {
  it('takes as many readings as it gives and refuses by reason', () => {
    const screen = screenAt()
    feed(screen, 1, steady(100))
    screen.judge(reading(5), 7, monoSeconds(200))
    const counts = screen.counts()
    expect(counts.taken).toBe(101)
    expect(counts.refused['sensor-error']).toBe(1)
    expect(counts.given + Object.values(counts.refused).reduce((a, b) => a + b)).toBe(101)
  })
})
