import { describe, expect, it } from 'vitest'
import { simReminders } from '../../agent/delivery/sim-dates.js'
import type { LocalDay } from '../../agent/terms/terms.js'

const day = (text: string): LocalDay => text as LocalDay
const said = (dates: Parameters<typeof simReminders>[0], today: string): string[] =>
  simReminders(dates, day(today)).map(({ code, detail }) => `${code}: ${detail}`)

describe('the days of a SIM', () => {
  it.each([
    ['2027-01-29', []],
    ['2027-01-30', ['sim-ends: its last day is 2027-03-01, in 30 days']],
    ['2027-02-28', ['sim-ends: its last day is 2027-03-01, tomorrow']],
    ['2027-03-01', ['sim-ends: its last day is 2027-03-01, today']],
    ['2027-03-02', ['sim-ends: it was valid until 2027-03-01']],
    ['2031-01-01', ['sim-ends: it was valid until 2027-03-01']],
  ])('on %s it says %j', (today, wanted) => {
    expect(said({ validUntil: day('2027-03-01') }, today)).toEqual(wanted)
  })

  it('remind of the credit by a day of their own, across a leap day', () => {
    const dates = { validUntil: day('2028-12-31'), creditCheck: day('2028-03-01') }
    expect(said(dates, '2028-02-28')).toEqual(['sim-credit: it is to be looked at on 2028-03-01, in 2 days'])
    expect(said(dates, '2028-03-02')).toEqual(['sim-credit: it was to be looked at on 2028-03-01'])
  })

  it('are two faults, so that each can be taken back by itself', () => {
    const dates = { validUntil: day('2027-03-01'), creditCheck: day('2027-03-01') }
    const codes = simReminders(dates, day('2027-03-01')).map(({ code }) => code)
    expect(codes).toEqual(['sim-ends', 'sim-credit'])
  })

  it('say nothing where none is set', () => expect(said({}, '2027-01-01')).toEqual([]))
})
