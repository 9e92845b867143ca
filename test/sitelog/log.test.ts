import { describe, expect, it } from 'vitest'
import { selfClosedEntry, SiteLog } from '../../agent/sitelog/sitelog.js'
import { utcMillis, type UtcMillis } from '../../agent/terms/terms.js'
import { at, doubts, entry, excluded, hours, line, log, removed, setUp, swapped, utc } from './support.js'

describe('deployments', () => {
  it('go from set up to removed, whatever the order in which a notebook was typed in', () => {
    const notes = [removed('5T09:00'), setUp('9T10:00', 'pond'), setUp('1T10:00'), removed('20T12:00')]
    for (const order of [notes, [...notes].reverse()]) {
      const list = log(order).deployments()
      expect(list.map((d) => d.place)).toEqual(['gate', 'pond'])
      expect(hours(list)).toEqual([
        ['01T10:00', '05T09:00'],
        ['09T10:00', '20T12:00'],
      ])
    }
  })

  it('can end and begin in the same minute', () => {
    expect(doubts(log([setUp('10:00'), setUp('2T10:00', 'pond'), removed('2T10:00')]))).toEqual([])
  })

  it('begin anew with a move to another place, not with one that names none', () => {
    const moves = [
      setUp('10:00'),
      { kind: 'moved', from: utc('2T10:00') },
      { kind: 'moved', place: 'pond', from: utc('3T10:00'), to: utc('3T11:00'), effect: 'exclude' },
    ]
    const site = log(moves)
    expect(hours(site.deployments())).toEqual([
      ['01T10:00', '03T10:00'],
      ['03T11:00', undefined],
    ])
    expect(site.statusAt(at('3T10:30'))).toEqual({ excluded: 'moved' })
    expect(site.statusAt(at('3T11:00')).deployment).toMatchObject({ place: 'pond', begunBy: 3 })
  })

  it('that do not fit together are told, not repaired', () => {
    expect(doubts(log([setUp('10:00'), setUp('12:00'), removed('13:00'), removed('14:00')]))).toEqual([
      '2 still-set-up',
      '4 nothing-set-up',
    ])
  })
})

describe('units', () => {
  it('follow each other in a slot, with the one that was there before the log', () => {
    const units = log([
      swapped('3T10:00', 'B', 'C', { slot: '1' }),
      swapped('2T10:00', 'A', 'B', { slot: '1' }),
      swapped('2T10:00', undefined, 'Z', { slot: '2' }),
    ]).units()
    expect(units.map((u) => `${u.slot} ${u.serial}`)).toEqual(['1 A', '1 B', '2 Z', '1 C'])
    expect(hours(units)).toEqual([
      [undefined, '02T10:00'],
      ['02T10:00', '03T10:00'],
      ['02T10:00', undefined],
      ['03T10:00', undefined],
    ])
  })

  it('are named for any time and slot', () => {
    const site = log([
      { ...setUp('10:00'), slot: '1', new_serial: 'A' },
      swapped('12:00', 'A', 'B', { slot: '1', to: utc('12:10'), effect: 'exclude' }),
    ])
    const serial = (time: string, slot?: string) => site.statusAt(at(time), slot).unit?.serial
    expect([serial('09:59', '1'), serial('11:59', '1'), serial('12:05', '1'), serial('12:10', '1')]).toEqual([
      undefined,
      'A',
      undefined,
      'B',
    ])
    expect([serial('11:00'), serial('11:00', '2')]).toEqual([undefined, undefined])
    expect(site.statusAt(at('12:05'), '1').excluded).toBe('swapped')
    expect(site.statusAt(at('12:05'), '2').excluded).toBeUndefined()
  })

  it('that the entries before do not know are doubted, and never made up', () => {
    const site = log([swapped('10:00', undefined, 'A'), swapped('12:00', 'X', 'B'), swapped('13:00', 'B')])
    expect(doubts(site)).toEqual(['2 other-unit'])
    expect(site.units().map((u) => u.serial)).toEqual(['A', 'B'])
    expect(site.statusAt(at('14:00')).unit).toBeUndefined()
  })
})

describe('boundaries', () => {
  it('show a swap in mid-hour to the figures of that hour and slot only', () => {
    const site = log([setUp('10:00'), swapped('14:20', 'A', 'B', { slot: '1' })])
    const words = (from: string, to: string, slot?: string) =>
      site.boundariesBetween(at(from), at(to), slot).map((b) => b.words)
    expect(words('14:00', '15:00', '1')).toEqual(['unit A out, B in'])
    expect(words('14:00', '15:00')).toEqual(['unit A out, B in'])
    expect(words('14:00', '15:00', '2')).toEqual([])
    expect(words('13:00', '14:00', '1')).toEqual([])
  })

  it('lie inside a figure, not at its edges', () => {
    const site = log([setUp('10:00'), removed('12:00')])
    expect(site.boundariesBetween(at('10:00'), at('12:00'))).toEqual([])
    expect(site.boundariesBetween(at('09:59'), at('12:01')).map((b) => b.what)).toEqual(['set-up', 'removed'])
  })

  it('that take time are crossed by whatever touches that time', () => {
    const site = log([setUp('09:00'), { kind: 'moved', from: utc('10:20'), to: utc('11:20') }])
    const what = (from: string, to: string) => site.boundariesBetween(at(from), at(to)).map((b) => b.what)
    expect(what('10:00', '11:00')).toEqual(['moved'])
    expect(what('10:30', '10:40')).toEqual(['moved'])
    expect(what('11:20', '12:20')).toEqual([])
  })
})

describe('spans', () => {
  it('exclude and mark up to their end, the earliest reason first where several hold', () => {
    const site = log([
      excluded('10:00', '12:00'),
      excluded('11:00', '13:00', { name: 'paving', reason: 'road works' }),
      { kind: 'observed', note: 'mowing', effect: 'mark', from: utc('11:30'), to: utc('14:00') },
      excluded('09:00', '09:30', { effect: 'none' }),
    ])
    expect(site.statusAt(at('09:10'))).toEqual({})
    expect(site.statusAt(at('10:00'))).toEqual({ excluded: 'bonfire: smoke' })
    expect(site.statusAt(at('11:45'))).toEqual({ excluded: 'bonfire: smoke', marked: 'mowing' })
    expect(site.statusAt(at('12:00'))).toEqual({ excluded: 'paving: road works', marked: 'mowing' })
    expect(site.statusAt(at('13:00'))).toEqual({ marked: 'mowing' })
    expect(site.statusAt(at('14:00'))).toEqual({})
  })

  it('exclude a record as soon as any part of it is', () => {
    const site = log([
      excluded('10:00', '10:05'),
      { kind: 'observed', note: 'n', effect: 'mark', from: utc('10:05'), to: utc('10:06') },
    ])
    const over = (from: UtcMillis) => site.statusOver(from, utcMillis(from + 60_000))
    expect(over(utcMillis(at('09:59') + 1000))).toEqual({ excluded: 'bonfire: smoke' })
    expect(over(at('09:59'))).toEqual({})
    expect(over(utcMillis(at('10:04') + 30_000))).toEqual({ excluded: 'bonfire: smoke', marked: 'n' })
  })

  it('of one slot leave the others and the station alone', () => {
    const site = log([excluded('10:00', '12:00', { slot: '1' })])
    const status = [undefined, '1', '2', 'outside'].map((slot) => site.statusAt(at('11:00'), slot).excluded)
    expect(status).toEqual([undefined, 'bonfire: smoke', undefined, undefined])
  })

  it('cover a visit from its start until 10 min after its end', () => {
    const site = log([
      { kind: 'visit-end', from: utc('10:20') },
      { kind: 'visit-start', from: utc('10:00') },
    ])
    expect(hours(site.spans())).toEqual([['01T10:00', '01T10:30']])
    expect(site.statusAt(at('10:29')).excluded).toBe('service: visit')
    expect(doubts(site)).toEqual([])
  })

  it('cover a forgotten visit for 70 min and say so; its end told by the station is no surprise', () => {
    const start = { kind: 'visit-start', from: utc('10:00') }
    expect(hours(log([start]).spans())).toEqual([['01T10:00', '01T11:10']])
    expect(doubts(log([start]))).toEqual(['1 visit-not-ended'])
    const closed = new SiteLog([line(1, entry(start)), line(2, selfClosedEntry(at('11:00')))])
    expect(hours(closed.spans())).toEqual([['01T10:00', '01T11:10']])
    expect(doubts(closed)).toEqual([])
    expect(doubts(log([start, { kind: 'visit-end', from: utc('12:00') }]))).toEqual([
      '1 visit-not-ended',
      '2 no-visit',
    ])
  })

  it('cover a zero check from the filter to the result, and at most 30 min', () => {
    const start = { kind: 'zero-check-start', slot: '1', from: utc('10:00') }
    const result = { kind: 'zero-check', slot: '1', result: 'pass', offset_ug_m3: 0.4, used_s: 600 }
    const site = log([start, { ...result, from: utc('10:11') }])
    expect(hours(site.spans())).toEqual([['01T10:00', '01T10:11']])
    expect(hours(log([start]).spans())).toEqual([['01T10:00', '01T10:30']])
    expect(doubts(log([start]))).toEqual(['1 no-zero-result'])
    const late = log([start, { ...result, from: utc('11:00') }])
    expect(hours(late.spans())).toEqual([['01T10:00', '01T10:30']])
    expect(doubts(late)).toEqual(['1 no-zero-result'])
    const alone = log([{ ...result, from: utc('10:00'), to: utc('10:10') }])
    expect(alone.statusAt(at('10:09'), '1').excluded).toBe('zero check')
  })
})
