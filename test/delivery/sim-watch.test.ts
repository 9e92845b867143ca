import { describe, expect, it } from 'vitest'
import { FaultBoard } from '../../agent/health/health.js'
import { SimWatch } from '../../agent/delivery/delivery.js'
import { monoSeconds, utcMillis, type LocalDay, type UtcMillis } from '../../agent/terms/terms.js'

const day = 86_400
const start = Date.parse('2027-01-29T12:00:00Z')

/** A station that watches a SIM of 2027-03-01 through days, in steps of ten minutes. */
function live(utcAt = (at: number): UtcMillis | undefined => utcMillis(start + at * 1000)) {
  const faults = new FaultBoard(() => undefined)
  const dates = { validUntil: '2027-03-01' as LocalDay, creditCheck: '2027-02-20' as LocalDay }
  const watch = new SimWatch(dates, 60, faults, utcAt)
  let at = 0
  const until = (days: number): string[] => {
    for (; at <= days * day; at += 600) watch.step(monoSeconds(at))
    return faults.list().map(({ code, detail, times }) => `${code} ${detail} (${times})`)
  }
  return { until }
}

describe('the days of a SIM, watched', () => {
  it('are told from a month before on, once a day, and after the day as well', () => {
    const { until } = live()
    expect(until(0.4)).toEqual(['sim-credit it is to be looked at on 2027-02-20, in 22 days (1)'])
    expect(until(0.9)[1]).toBe('sim-ends its last day is 2027-03-01, in 30 days (1)')
    expect(until(3.4)[1]).toBe('sim-ends its last day is 2027-03-01, in 28 days (3)')
    expect(until(40)).toEqual([
      'sim-credit it was to be looked at on 2027-02-20 (24)',
      'sim-ends it was valid until 2027-03-01 (32)',
    ])
  })

  it('are not guessed without a trusted clock, and told once it is there', () => {
    let isTrusted = false
    const { until } = live((at) => (isTrusted ? utcMillis(start + at * 1000) : undefined))
    expect(until(30)).toEqual([])
    isTrusted = true
    expect(until(30.1).map((text) => text.split(' ')[0])).toEqual(['sim-ends', 'sim-credit'])
  })
})
