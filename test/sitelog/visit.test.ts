import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  judgeZeroCheck,
  restoreVisit,
  SiteLog,
  Visit,
  type EarlierBoot,
  type VisitNews,
} from '../../agent/sitelog/sitelog.js'
import { monoSeconds, utcMillis, type EventLine } from '../../agent/terms/terms.js'
import { at, boot, entry, line, utc } from './support.js'

const seed = Date.now() % 2 ** 31
console.info(`seed ${seed}`)

const minutes = (n: number) => monoSeconds(n * 60)
const told = (news: readonly VisitNews[]) => news.map((n) => `${n.what} ${n.at / 60}`)

describe('a visit', () => {
  it('is quiet from its start until 10 min after its end', () => {
    const visit = new Visit()
    visit.step(minutes(5))
    expect(visit.quiet).toBe(false)
    expect(told(visit.start(minutes(10)))).toEqual(['started 10'])
    expect([visit.open, visit.quiet]).toEqual([true, true])
    expect(told(visit.end(minutes(30)))).toEqual(['ended 30'])
    expect(visit.quietUntil).toBe(minutes(40))
    visit.step(monoSeconds(40 * 60 - 0.1))
    expect([visit.open, visit.quiet]).toEqual([false, true])
    expect(visit.step(minutes(40))).toEqual([])
    expect(visit.quiet).toBe(false)
  })

  it('that was forgotten closes itself after 60 min, tells so once, and 10 min later alerts are back', () => {
    const visit = new Visit()
    visit.start(minutes(0))
    const story = Array.from({ length: 180 }, (_, m) => told(visit.step(minutes(m)))).flat()
    expect(story).toEqual(['closed-itself 60'])
    const late = new Visit()
    late.start(minutes(0))
    expect(told(late.step(minutes(69)))).toEqual(['closed-itself 60'])
    expect(late.quiet).toBe(true)
    late.step(minutes(70))
    expect(late.quiet).toBe(false)
  })

  it('goes on when its start is told again, and begins anew when it had closed itself', () => {
    const visit = new Visit()
    visit.start(minutes(0))
    expect(told(visit.start(minutes(50)))).toEqual(['renewed 50'])
    expect(told(visit.step(minutes(100)))).toEqual([])
    expect(told(visit.start(minutes(115)))).toEqual(['closed-itself 110', 'started 115'])
  })

  it('takes an end told up to 10 min late as the end, and says when there was no visit', () => {
    const visit = new Visit()
    expect(told(visit.end(minutes(1)))).toEqual(['no-visit 1'])
    expect(visit.quiet).toBe(false)
    visit.start(minutes(10))
    expect(told(visit.end(minutes(75)))).toEqual(['closed-itself 70', 'ended 75'])
    expect(visit.quietUntil).toBe(minutes(85))
    expect(told(visit.end(minutes(85)))).toEqual(['no-visit 85'])
  })

  it('is the same for the running station as for its log afterwards', () => {
    const steps = fc.array(fc.record({ gap: fc.integer({ min: 0, max: 90 }), start: fc.boolean() }), {
      maxLength: 12,
    })
    fc.assert(
      fc.property(steps, (list) => {
        const visit = new Visit()
        const lines: EventLine[] = []
        const quiet: boolean[] = []
        let m = 0
        const live = (until: number) => {
          for (; m < until; m++) {
            visit.step(minutes(m))
            quiet.push(visit.quiet)
          }
        }
        for (const { gap, start } of list) {
          live(m + gap)
          if (start) visit.start(minutes(m))
          else visit.end(minutes(m))
          const kind = start ? 'visit-start' : 'visit-end'
          lines.push(line(lines.length + 1, entry({ kind }), { utc: utcMillis(at('10:00') + m * 60_000) }))
        }
        live(m + 90)
        const log = new SiteLog(lines)
        const after = quiet.map(
          (_, i) => log.statusAt(utcMillis(at('10:00') + i * 60_000)).excluded !== undefined,
        )
        expect(after).toEqual(quiet)
      }),
      { seed, numRuns: 300 },
    )
  })
})

describe('a visit after a restart', () => {
  const visitLine = (seq: number, kind: string, mono: number, more: Partial<EventLine> = {}) =>
    line(seq, entry({ kind }), { mono: minutes(mono), utc: undefined, ...more })
  const quietUntil = (visit: Visit) => (visit.quietUntil === undefined ? undefined : visit.quietUntil / 60)

  it('of the agent goes on by monotonic time', () => {
    const log = new SiteLog([visitLine(1, 'visit-start', 100)])
    const visit = restoreVisit(log, { boot, mono: minutes(130) })
    expect(told(visit.step(minutes(130)))).toEqual([])
    expect([visit.open, visit.quiet, quietUntil(visit)]).toEqual([true, true, 170])
    expect(told(visit.step(minutes(161)))).toEqual(['closed-itself 160'])
  })

  it('that closed itself meanwhile tells so at the first step', () => {
    const visit = restoreVisit(new SiteLog([visitLine(1, 'visit-start', 100)]), { boot, mono: minutes(165) })
    expect(told(visit.step(minutes(165)))).toEqual(['closed-itself 160'])
    expect(visit.quiet).toBe(true)
  })

  it('of the board goes on by UTC where both are known', () => {
    const log = new SiteLog([visitLine(1, 'visit-start', 5000, { utc: at('10:00') })])
    const visit = restoreVisit(log, { boot: 'ffffffff', mono: minutes(1), utc: at('10:40') })
    expect(quietUntil(visit)).toBe(1 - 40 + 70)
    expect(
      restoreVisit(log, { boot: 'ffffffff', mono: minutes(1), utc: at('12:00') }).quietUntil,
    ).toBeUndefined()
  })

  it('of the board without a clock goes on by the time the station is known to have run, over several boots', () => {
    const earlier: EarlierBoot[] = [
      { boot, lastMono: minutes(5010) },
      { boot: 'bbbbbbbb', lastMono: minutes(3) },
    ]
    const log = new SiteLog([visitLine(1, 'visit-start', 5000)])
    const visit = restoreVisit(log, { boot: 'cccccccc', mono: minutes(1) }, earlier)
    expect(quietUntil(visit)).toBe(1 - 14 + 70)
    const long = [...earlier, { boot: 'dddddddd', lastMono: minutes(80) }]
    expect(restoreVisit(log, { boot: 'cccccccc', mono: minutes(1) }, long).quietUntil).toBeUndefined()
    expect(restoreVisit(log, { boot: 'cccccccc', mono: minutes(1) }).quietUntil).toBeUndefined()
  })

  it('that had ended is quiet for the rest of its 10 min only', () => {
    const log = new SiteLog([visitLine(1, 'visit-start', 100), visitLine(2, 'visit-end', 120)])
    const visit = restoreVisit(log, { boot, mono: minutes(125) })
    expect([told(visit.step(minutes(125))), visit.open, quietUntil(visit)]).toEqual([[], false, 130])
    const later = restoreVisit(log, { boot, mono: minutes(140) })
    expect([told(later.step(minutes(140))), later.quiet]).toEqual([[], false])
  })

  it('follows corrections and times from a notebook, and leaves history alone', () => {
    const withdrawn = [
      visitLine(1, 'visit-start', 100),
      line(2, entry({ kind: 'correction', corrects: 1, withdraw: 'yes' })),
    ]
    expect(restoreVisit(new SiteLog(withdrawn), { boot, mono: minutes(110) }).quietUntil).toBeUndefined()
    const now = { boot, mono: minutes(100), utc: at('10:00') }
    const typed = (from: string) => new SiteLog([line(1, entry({ kind: 'visit-start', from: utc(from) }))])
    expect(quietUntil(restoreVisit(typed('09:40'), now))).toBe(100 - 20 + 70)
    expect(restoreVisit(typed('08:00'), now).quietUntil).toBeUndefined()
    const noClock = new SiteLog([
      line(1, entry({ kind: 'visit-start', from: utc('09:40') }), { utc: at('09:50'), mono: minutes(90) }),
    ])
    expect(quietUntil(restoreVisit(noClock, { boot, mono: minutes(100) }))).toBe(100 - 20 + 70)
  })
})

describe('a zero check', () => {
  const steady = (mean: number, n = 10, usedSeconds = 60) =>
    Array.from({ length: n }, () => ({ meanMicrogramsPerM3: mean, usedSeconds }))

  it.each([
    [0, 'pass'],
    [2, 'pass'],
    [2.01, 'repeat'],
    [5, 'repeat'],
    [5.01, 'fail'],
  ])('with a mean of %f µg/m³ is %s', (mean, result) => {
    expect(judgeZeroCheck(steady(mean))).toEqual({ result, offsetMicrogramsPerM3: mean, usedSeconds: 600 })
  })

  it('needs 8 min of readings; no readings are no zero', () => {
    expect(judgeZeroCheck(steady(1, 8)).result).toBe('pass')
    expect(judgeZeroCheck(steady(1, 10, 47.9))).toEqual({
      result: 'not-enough-data',
      offsetMicrogramsPerM3: 1,
      usedSeconds: 479,
    })
    expect(judgeZeroCheck([])).toEqual({ result: 'not-enough-data', usedSeconds: 0 })
    expect(judgeZeroCheck(steady(NaN))).toEqual({ result: 'not-enough-data', usedSeconds: 0 })
  })

  it('weights each minute by its used seconds', () => {
    const minutesOf = [...steady(0, 8), ...steady(12, 2, 30), { meanMicrogramsPerM3: 900, usedSeconds: 0 }]
    // (8·60·0 + 2·30·12) / (8·60 + 2·30) by hand
    expect(judgeZeroCheck(minutesOf).offsetMicrogramsPerM3).toBe(1.33)
  })

  it('takes no minute for longer than a minute', () => {
    expect(judgeZeroCheck(steady(1, 7, 6000))).toMatchObject({ result: 'not-enough-data', usedSeconds: 420 })
  })

  it('is not spoiled by the last digit of a sum', () => {
    expect(judgeZeroCheck([...steady(2.1, 5), ...steady(1.9, 5)])).toMatchObject({ result: 'pass' })
    expect(judgeZeroCheck(steady(2.0000001)).result).toBe('pass')
  })
})
