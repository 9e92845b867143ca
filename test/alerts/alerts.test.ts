import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { Alert, alertWord, type AlertRule } from '../../agent/alerts/alerts.js'
import { monoSeconds, type Average } from '../../agent/terms/terms.js'

const rule: AlertRule = {
  rule: 'dust',
  channel: 'pm10',
  average: '10-min',
  direction: 'above',
  level: 150,
  backAt: 120,
  onDelaySeconds: 0,
  offDelaySeconds: 1200,
  leastDataCapture: 0.75,
  priority: 'normal',
}

const average = (mean: number, dataCapture = 1, atLeast = false): Average => ({
  mean,
  usedSeconds: 600 * dataCapture,
  plannedSeconds: 600,
  windowSeconds: 600,
  dataCapture,
  sampledShare: dataCapture,
  atLeast,
})

/** One step a minute; returns what changed and at which minute. */
function live(alert: Alert, averages: readonly Average[], from = 0): string[] {
  return averages.flatMap((a, i) => {
    const change = alert.step(a, monoSeconds((from + i) * 60))
    return change ? [`${from + i} ${change.to}`] : []
  })
}
const values = (list: readonly number[]) => list.map((v) => average(v))
const many = (n: number, v: number) => Array.from({ length: n }, () => v)

describe('a threshold rule', () => {
  it('raises above the level, not at it', () => {
    const alert = new Alert(rule)
    expect(live(alert, values([149, 150, 150.01]))).toEqual(['2 raised'])
  })

  it('raises once for a value that trembles 1 % about the level for three hours (PC-68)', () => {
    const alert = new Alert(rule)
    const trembling = Array.from({ length: 180 }, (_, i) => (i % 2 ? 151.5 : 148.5))
    expect(live(alert, values(trembling))).toEqual(['1 raised'])
  })

  it('is over only below the deadband for the whole off-delay', () => {
    const alert = new Alert(rule)
    const story = [200, ...many(30, 130), ...many(19, 100), 125, ...many(30, 100)]
    // minute 51 starts the unbroken low run; 20 min later it is over
    expect(live(alert, values(story))).toEqual(['0 raised', '71 normal'])
  })

  it('waits out the on-delay without a break', () => {
    const alert = new Alert({ ...rule, onDelaySeconds: 300 })
    expect(live(alert, values([200, 200, 200, 100, ...many(10, 200)]))).toEqual(['9 raised'])
  })

  it('is not cleared by missing data, and not raised on too little of it (PC-69)', () => {
    const alert = new Alert(rule)
    expect(live(alert, [average(200, 0.5)])).toEqual([])
    expect(live(alert, [average(200)], 1)).toEqual(['1 raised'])
    const nothing = { ...average(NaN, 0), usedSeconds: 0 }
    expect(
      live(
        alert,
        Array.from({ length: 120 }, () => nothing),
        2,
      ),
    ).toEqual([])
    expect(alert.state).toBe('raised')
    expect(live(alert, values(many(21, 10)), 122)).toEqual(['142 normal'])
  })

  it('does not go back on a mean that only says at least', () => {
    const alert = new Alert(rule)
    live(alert, values([200]))
    expect(
      live(
        alert,
        Array.from({ length: 60 }, () => average(100, 1, true)),
        1,
      ),
    ).toEqual([])
  })

  it('watches for low values as well', () => {
    const low: AlertRule = { ...rule, direction: 'below', level: 11.8, backAt: 12.2, offDelaySeconds: 0 }
    const alert = new Alert(low)
    expect(live(alert, values([12, 11.7, 12.1, 12.3]))).toEqual(['1 raised', '3 normal'])
    expect(alertWord(low, 'normal')).toBe('back above')
    expect(alertWord(rule, 'normal')).toBe('back below')
  })

  it('stays raised over a restart and starts its delay anew', () => {
    const alert = new Alert(rule)
    alert.restore('raised')
    expect(live(alert, values(many(25, 10)))).toEqual(['20 normal'])
  })
})

describe('an alert without enough data', () => {
  const nothing: Average = { ...average(NaN, 0), usedSeconds: 0 }

  it('says since when it does not know, from its start on, and keeps what was known', () => {
    const alert = new Alert(rule, monoSeconds(0))
    expect(alert.unknownSince).toBe(0)
    live(alert, [nothing, average(200), nothing, nothing])
    expect(alert.state).toBe('raised')
    expect(alert.unknownSince).toBe(120)
    live(alert, [average(200)], 4)
    expect(alert.unknownSince).toBeUndefined()
  })

  it('takes no short piece of an hour for an hour, however well it was captured', () => {
    const alert = new Alert({ ...rule, average: '1-h' })
    const piece = (recordedSeconds: number): Average => ({
      ...average(900),
      windowSeconds: 3600,
      recordedSeconds,
    })
    expect(live(alert, [piece(60), piece(2699)])).toEqual([])
    expect(alert.unknownSince).toBe(0)
    expect(live(alert, [piece(2700)], 2)).toEqual(['2 raised'])
  })
})

describe('an alert while somebody is at the station', () => {
  it('is not raised, starts its on-delay anew afterwards, and goes back all the same', () => {
    const alert = new Alert({ ...rule, onDelaySeconds: 120, offDelaySeconds: 0 })
    const step = (minute: number, mean: number, quiet: boolean) =>
      alert.step(average(mean), monoSeconds(minute * 60), quiet)?.to
    expect([0, 1, 2, 3, 4].map((minute) => step(minute, 200, true))).toEqual(Array(5).fill(undefined))
    expect([5, 6, 7].map((minute) => step(minute, 200, false))).toEqual([undefined, undefined, 'raised'])
    expect(step(8, 100, true)).toBe('normal')
  })
})

describe('an alert, whatever the value does', () => {
  it('is raised at most once for each time the value went back past the deadband', () => {
    const seed = Date.now() % 2 ** 31
    console.info(`test/alerts: SEED=${seed}`)
    // Trembling about the level, with steps far away and gaps among it.
    const value = fc.oneof(
      { weight: 8, arbitrary: fc.double({ min: 110, max: 160, noNaN: true }) },
      { weight: 1, arbitrary: fc.constantFrom(NaN, 0, 1000) },
    )
    const delays = fc.constantFrom(0, 60, 300)
    fc.assert(
      fc.property(
        fc.array(value, { maxLength: 300 }),
        delays,
        delays,
        (means, onDelaySeconds, offDelaySeconds) => {
          const alert = new Alert({ ...rule, onDelaySeconds, offDelaySeconds })
          let mayRaise = true
          means.forEach((mean, minute) => {
            const given = Number.isNaN(mean) ? { ...average(NaN, 0), usedSeconds: 0 } : average(mean)
            if (mean < rule.backAt) mayRaise = true
            const change = alert.step(given, monoSeconds(minute * 60))
            if (change?.to !== 'raised') return
            expect(mayRaise).toBe(true)
            expect(mean).toBeGreaterThan(rule.level)
            mayRaise = false
          })
        },
      ),
      { seed },
    )
  })
})
