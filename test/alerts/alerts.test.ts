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
