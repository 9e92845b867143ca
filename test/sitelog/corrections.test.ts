import { describe, expect, it } from 'vitest'
import { mostEntries, SiteLog } from '../../agent/sitelog/sitelog.js'
import {
  isBalanced,
  monoSeconds,
  utcMillis,
  type MonoSeconds,
  type UtcMillis,
} from '../../agent/terms/terms.js'
import { at, boot, correction, doubts, entry, excluded, hours, line, log, removed, utc } from './support.js'

describe('a correction', () => {
  it('changes what it names and leaves the rest; the original stays listed', () => {
    const site = log([
      excluded('10:00', '12:00', { who: 'A' }),
      correction(1, { to: utc('11:00'), who: 'B', why: 'watch' }),
    ])
    const [first, second] = site.entries()
    expect(first).toMatchObject({ number: 1, correctedBy: [2], to: at('11:00') })
    expect(first.asWritten.to).toBe(at('12:00'))
    expect(first.entry).toMatchObject({ who: 'A', reason: 'smoke', from: at('10:00'), to: at('11:00') })
    expect(second.entry?.kind).toBe('correction')
    expect(site.statusAt(at('11:30'))).toEqual({})
  })

  it('withdraws, and is itself withdrawn, so that the original holds again', () => {
    const story = [
      excluded('10:00', '12:00'),
      correction(1, { withdraw: 'yes' }),
      correction(2, { withdraw: true }),
    ]
    expect(log(story.slice(0, 2)).statusAt(at('11:00'))).toEqual({})
    expect(log(story.slice(0, 2)).entries()[0]).toMatchObject({ entry: undefined, correctedBy: [2] })
    expect(log(story).statusAt(at('11:00')).excluded).toBeDefined()
    expect(
      log(story)
        .entries()
        .map((e) => e.correctedBy),
    ).toEqual([[], [3], []])
    const again = [...story, correction(3, { withdraw: true })]
    expect(log(again).statusAt(at('11:00'))).toEqual({})
  })

  it('can be corrected in part', () => {
    const site = log([
      excluded('10:00', '12:00'),
      correction(1, { from: utc('09:00'), to: utc('13:00') }),
      correction(2, { to: utc('12:30') }),
      correction(1, { note: 'a neighbour told' }),
    ])
    expect(hours(site.spans())).toEqual([['01T09:00', '01T12:30']])
    expect(site.entries()[0]).toMatchObject({ correctedBy: [2, 4], entry: { note: 'a neighbour told' } })
  })

  it('of a time written as now keeps the time of the original, not its own', () => {
    const original = line(1, entry({ kind: 'removed' }), { utc: at('10:00') })
    const later = line(2, entry(correction(1, { note: 'n' })), { utc: at('2T10:00') })
    expect(new SiteLog([original, later]).entries()[0]).toMatchObject({
      from: at('10:00'),
      entry: { note: 'n' },
    })
  })

  it('that fits nothing changes nothing, and is told and counted', () => {
    const site = log([
      excluded('10:00', '12:00'),
      correction(1, { to: utc('09:00') }),
      correction(1, { place: 'pond' }),
      correction(99, { withdraw: 'yes' }),
      correction(5, { withdraw: 'yes' }),
      correction(7, { withdraw: 'yes' }),
      correction(1, { withdraw: 'yes' }),
      correction(1, { note: 'too late' }),
    ])
    // 6 withdraws 7, which is later than itself, so 7 holds; 8 comes after it.
    expect(doubts(site)).toEqual([2, 3, 4, 5, 6, 8].map((n) => `${n} corrects-nothing`))
    expect(site.counts()).toEqual({ taken: 8, given: 2, held: 0, refused: { misfit: 6 } })
  })

  it('is objected to before it is written', () => {
    const site = log([
      excluded('10:00', '12:00'),
      correction(1, { withdraw: 'yes' }),
      excluded('13:00', '14:00'),
    ])
    const codes = (input: object) => site.objections(entry(input as never)).map((f) => `${f.key} ${f.code}`)
    expect(codes(correction(9, { withdraw: 'yes' }))).toEqual(['corrects corrects-nothing'])
    expect(codes(correction(1, { note: 'n' }))).toEqual(['corrects withdrawn'])
    expect(codes(correction(3, { to: utc('12:30') }))).toEqual(['to order'])
    expect(codes(correction(3, { place: 'pond' }))).toEqual(['place not-for-this-kind'])
    expect(codes(correction(3, { to: utc('13:30') }))).toEqual([])
    expect(codes(correction(2, { withdraw: 'yes' }))).toEqual([])
    expect(codes(excluded('10:00', '12:00'))).toEqual([])
  })
})

describe('an entry made while the clock was not trusted', () => {
  const known = new Map<string, UtcMillis>()
  const resolve = (of: string, mono: MonoSeconds) => {
    const start = known.get(of)
    return start === undefined ? undefined : utcMillis(start + mono * 1000)
  }
  const blind = (seq: number, mono: number, input: Record<string, unknown>) =>
    line(seq, entry(input), { utc: undefined, mono: monoSeconds(mono) })

  it('waits, and finds its place when the time of that boot is learned', () => {
    const site = new SiteLog(
      [
        blind(1, 600, { kind: 'set-up', place: 'gate' }),
        blind(2, 1200, { kind: 'visit-start' }),
        blind(3, 1800, { kind: 'visit-end' }),
      ],
      { resolve },
    )
    expect(site.deployments()).toEqual([])
    expect(site.entries()).toHaveLength(3)
    expect(site.counts()).toEqual({ taken: 3, given: 0, held: 3, refused: {} })
    known.set(boot, at('10:00'))
    site.clockLearned()
    expect(hours(site.deployments())).toEqual([['01T10:10', undefined]])
    expect(hours(site.spans())).toEqual([['01T10:20', '01T10:40']])
    expect(site.counts()).toEqual({ taken: 3, given: 3, held: 0, refused: {} })
  })

  it('whose clock turned out wrong ends before it begins: told, without effect', () => {
    const wrong = line(1, entry(excluded('10:00', '12:00', { to: 'now' })), { utc: at('09:00') })
    const site = new SiteLog([wrong])
    expect(doubts(site)).toEqual(['1 time-reversed'])
    expect(site.spans()).toEqual([])
    expect(site.counts().refused).toEqual({ misfit: 1 })
  })
})

describe('what the log takes', () => {
  it('is counted: doubles, a second line under one number, and what it does not understand', () => {
    const one = line(1, entry(removed('10:00')))
    const site = new SiteLog([
      one,
      one,
      line(1, entry(removed('11:00'))),
      { ...one, seq: 2, details: { kind: 'repainted', effect: 'none' } },
      { ...one, seq: 3, name: 'alert' },
    ])
    expect(site.counts()).toEqual({
      taken: 4,
      given: 1,
      held: 0,
      refused: { double: 1, 'same-number': 1, 'not-understood': 1 },
    })
    expect(site.entries()[0].from).toBe(at('10:00'))
  })

  it('is bounded: the lowest numbers fall out and are counted', () => {
    const site = new SiteLog()
    const one = line(1, entry(removed('10:00')))
    for (let seq = 2; seq <= mostEntries + 11; seq++) site.add({ ...one, seq })
    site.add(one)
    expect(site.entries()).toHaveLength(mostEntries)
    expect(site.entries()[0].number).toBe(12)
    expect(site.counts().refused).toEqual({ 'too-many': 11 })
    expect(isBalanced(site.counts())).toBe(true)
  })
})
