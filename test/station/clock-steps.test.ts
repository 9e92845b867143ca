/** Clocks that lie, in virtual time, held against the truth that only the test knows. */
import { describe, expect, it } from 'vitest'
import { byBootOf, live, secondsByHour, type BootPlan, type Life } from '../support/clock-life.js'

const day = 86_400
const year = 365.25 * day
const weeks1024 = 1024 * 7 * day
const begin = Date.UTC(2026, 10, 24, 22, 50, 13)

/** The text of a record's time is rounded to whole seconds. */
const roundingSeconds = 0.5

/** Whatever the clocks said: every second that was lived is in one record, and in one only. */
function nothingLostNothingDouble({ records }: Life, boots: readonly BootPlan[]): void {
  const seqs = records.map(({ line }) => line.seq)
  expect(new Set(seqs).size).toBe(seqs.length)
  const byBoot = byBootOf(records)
  expect(byBoot.size).toBe(boots.length)
  ;[...byBoot.values()].forEach((ofBoot, i) => {
    let next = 0
    for (const { line } of ofBoot) {
      expect(Math.abs(line.mono - next)).toBeLessThan(0.06)
      next = line.mono + line.seconds
    }
    expect(Math.abs(next - boots[i].seconds)).toBeLessThan(0.06)
  })
}

function allPlacedRightly({ records }: Life): void {
  for (const { line, placed, truth, errorSeconds } of records) {
    const off = Math.abs((placed ?? NaN) - truth) / 1000
    expect(off, `record ${line.seq} of boot ${line.boot} at ${line.mono} s`).toBeLessThanOrEqual(
      errorSeconds + roundingSeconds,
    )
  }
  for (const [hour, seconds] of secondsByHour(records))
    expect(seconds, `hour ${hour}`).toBeLessThanOrEqual(3600 + 120)
}

const steps: readonly (readonly [words: string, seconds: number])[] = [
  ['a second forward', 1],
  ['a second back', -1],
  ['90 s forward', 90],
  ['90 s back', -90],
  ['an hour back', -3600],
  ['a day forward', day],
  ['30 days back', -30 * day],
  ['200 days forward', 200 * day],
  ['a year forward', year],
  ['1,024 weeks forward', weeks1024],
  ['1,024 weeks back', -weeks1024],
  ['50 years forward', 50 * year],
  ['50 years back', -50 * year],
]

describe('a wall clock that steps in mid-record and comes back', () => {
  it.each(steps)(
    'by %s loses nothing, doubles nothing, and moves no record from its true time',
    async (_, by) => {
      const boots: BootPlan[] = [
        {
          offSeconds: 0,
          seconds: 4000,
          wallOffSeconds: 0,
          source: 'ntp',
          moments: [
            [1333, ({ clock }) => clock.stepUtc(by)],
            [1777, ({ clock }) => clock.stepUtc(-by)],
          ],
        },
      ]
      const life = await live(begin, boots)
      nothingLostNothingDouble(life, boots)
      allPlacedRightly(life)
      expect(life.codes).not.toContain('clock-refused')
    },
  )

  it.each(steps)('by %s at the start, and is set right by the network later', async (_, by) => {
    const boots: BootPlan[] = [
      { offSeconds: 0, seconds: 700, wallOffSeconds: 0, source: 'ntp' },
      {
        offSeconds: 40,
        seconds: 2000,
        wallOffSeconds: by,
        source: 'rtc',
        moments: [
          [
            999,
            ({ clock }) => {
              clock.stepUtc(-by)
              clock.source = 'ntp'
            },
          ],
        ],
      },
    ]
    const life = await live(begin, boots)
    nothingLostNothingDouble(life, boots)
    allPlacedRightly(life)
    expect(life.codes).toEqual([])
  })
})

describe('a boot whose only source was wrong by', () => {
  it.each(steps.filter(([, by]) => by >= day))(
    '%s does not keep the next one from the right time, and is timed by its neighbours',
    async (_, by) => {
      const boots: BootPlan[] = [
        { offSeconds: 0, seconds: 700, wallOffSeconds: 0, source: 'ntp' },
        { offSeconds: 20, seconds: 1800, wallOffSeconds: by, source: 'rtc' },
        { offSeconds: 20, seconds: 900, wallOffSeconds: 0, source: 'ntp' },
      ]
      const life = await live(begin, boots)
      nothingLostNothingDouble(life, boots)
      const [, wrong] = [...byBootOf(life.records).values()]
      for (const { placed, bound, truth } of wrong) {
        expect(placed).toBeUndefined()
        expect(bound.earliest! / 1000).toBeLessThanOrEqual(truth / 1000 + roundingSeconds)
        expect(bound.latest! / 1000).toBeGreaterThanOrEqual(truth / 1000 - roundingSeconds)
        expect((bound.latest! - bound.earliest!) / 1000).toBeLessThan(60)
      }
      allPlacedRightly({ ...life, records: life.records.filter((one) => !wrong.includes(one)) })
      expect(life.codes).toEqual([])
    },
  )
})

describe('a station that once believed 2076 by the network itself', () => {
  const believed: BootPlan = { offSeconds: 0, seconds: 900, wallOffSeconds: 50 * year, source: 'ntp' }

  it('does not take one like source for it at once, tells, and comes back after a day of the same word', async () => {
    const again: BootPlan = { offSeconds: 30, seconds: 3600, wallOffSeconds: 0, source: 'ntp' }
    const soon = await live(begin, [believed, again])
    expect(soon.at).toBeUndefined()
    expect(soon.codes).toEqual(expect.arrayContaining(['clock-refused', 'clock-untrusted']))
    const boots = [believed, { ...again, seconds: 90_000 }]
    const later = await live(begin, boots)
    nothingLostNothingDouble(later, boots)
    expect(Math.abs(later.at! - later.truth)).toBeLessThan(2000)
    expect(later.codes).toEqual([])
    allPlacedRightly({ ...later, records: later.records.filter(({ line }) => line.boot !== 'b0070000') })
    expect(later.records.find(({ line }) => line.boot === 'b0070000')?.placed).toBeUndefined()
  })

  const offers = (source: string | undefined, confirm: boolean, answer: object): BootPlan => ({
    offSeconds: 30,
    seconds: 1200,
    wallOffSeconds: 0,
    source,
    moments: [
      [
        300,
        async ({ rig, truth }) => {
          const offered = { utc: new Date(truth).toISOString(), error_s: 10, confirm }
          expect(await rig.station.setClock(offered)).toMatchObject(answer)
        },
      ],
    ],
  })

  it.each([
    ['two independent sources agree', 'ntp', false],
    ['a person confirms the time', undefined, true],
  ])('comes back at once when %s', async (_, source, confirm) => {
    const life = await live(begin, [believed, offers(source, confirm, { ok: true, used: true })])
    expect(Math.abs(life.at! - life.truth)).toBeLessThan(11_000)
    expect(life.codes).toEqual([])
  })

  it('does not believe a person alone who does not confirm', async () => {
    const life = await live(begin, [believed, offers(undefined, false, { ok: false })])
    expect(life.at).toBeUndefined()
  })

  it('never takes a time before the program was made, however long it is said and whoever confirms it', async () => {
    const life = await live(begin, [
      {
        offSeconds: 0,
        seconds: 90_000,
        wallOffSeconds: -weeks1024,
        source: 'ntp',
        moments: [
          [
            500,
            async ({ rig, truth }) => {
              const utc = new Date(truth - weeks1024 * 1000).toISOString()
              expect(await rig.station.setClock({ utc, error_s: 10, confirm: true })).toMatchObject({
                ok: false,
              })
            },
          ],
        ],
      },
    ])
    expect(life.at).toBeUndefined()
    expect(life.codes).toEqual(expect.arrayContaining(['clock-refused', 'clock-untrusted']))
    expect(life.records.every(({ placed }) => placed === undefined)).toBe(true)
  })
})

describe("two boots in one minute, a leap day, and a year's end", () => {
  it.each([
    ['29 February 2028', Date.UTC(2028, 1, 28, 23, 57)],
    ['1 March of a year without leap day', Date.UTC(2027, 1, 28, 23, 57)],
    ['1 January', Date.UTC(2026, 11, 31, 23, 57)],
  ])('around %s keep every second once and in its place', async (_, start) => {
    const short: BootPlan = { offSeconds: 4, seconds: 17, wallOffSeconds: 0, source: 'ntp' }
    const boots = [{ ...short, offSeconds: 0, seconds: 130 }, short, short, { ...short, seconds: 400 }]
    const life = await live(start, boots)
    nothingLostNothingDouble(life, boots)
    allPlacedRightly(life)
  })
})

describe('any life of a station with clocks that lie', () => {
  const seed = Number(process.env.CLOCK_SEED ?? 20261125)
  const pick = <T>(from: readonly T[], draw: () => number): T => from[Math.floor(draw() * from.length)]

  /** Network and receivers tell the truth; the battery-backed clock and what nobody vouches for may say anything. */
  function randomBoot(draw: () => number, isLast: boolean): BootPlan {
    const seconds = 60 + Math.floor(draw() * 2400)
    const off = draw() < 0.3 ? 0 : pick(steps, draw)[1] * (0.5 + draw())
    const never = !isLast && draw() < 0.3
    const source = never || draw() < 0.5 ? undefined : 'rtc'
    const plan = { offSeconds: 1 + Math.floor(draw() * 300), seconds, wallOffSeconds: off, source }
    if (never) return plan
    const when = Math.floor(seconds * draw() * 0.7)
    const more = pick(steps, draw)[1]
    return {
      ...plan,
      moments: [
        [when / 2, ({ clock }) => clock.stepUtc(more)],
        [
          when,
          ({ clock, truth }) => {
            clock.stepUtc((truth - clock.utc().at) / 1000)
            clock.source = 'ntp'
          },
        ],
      ],
    }
  }

  it(`keeps every second once and in its true time or bounds (seed ${seed}, CLOCK_SEED sets another)`, async () => {
    console.info(`clock lives: seed ${seed}`)
    for (let life = 0; life < 30; life++) {
      let state = seed + life * 7919
      const draw = (): number => {
        state = (Math.imul(state, 1664525) + 1013904223) >>> 0
        return state / 2 ** 32
      }
      const count = 2 + Math.floor(draw() * 4)
      const first: BootPlan = { offSeconds: 0, seconds: 300, wallOffSeconds: 0, source: 'ntp' }
      const boots = [first, ...Array.from({ length: count }, (_, i) => randomBoot(draw, i === count - 1))]
      const lived = await live(begin + Math.floor(draw() * year) * 1000, boots)
      const name = `life ${life}`
      nothingLostNothingDouble(lived, boots)
      allPlacedRightly({ ...lived, records: lived.records.filter(({ placed }) => placed !== undefined) })
      for (const { bound, placed, truth } of lived.records.filter((one) => one.placed === undefined)) {
        expect(placed, name).toBeUndefined()
        expect(bound.earliest! / 1000, name).toBeLessThanOrEqual(truth / 1000 + roundingSeconds)
        expect(bound.latest! / 1000, name).toBeGreaterThanOrEqual(truth / 1000 - roundingSeconds)
      }
    }
  }, 120_000)
})
