import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { SiteLog, siteKindNames } from '../../agent/sitelog/sitelog.js'
import { isBalanced, utcMillis, type EventLine } from '../../agent/terms/terms.js'
import { at, entry, line } from './support.js'

const seed = Date.now() % 2 ** 31
console.info(`seed ${seed}`)

describe('a log of any entries', () => {
  const minute = fc.integer({ min: 0, max: 300 }).map((m) => new Date(at('10:00') + m * 60_000).toISOString())
  const slot = fc.constantFrom(undefined, '1', '2')
  const serial = fc.constantFrom(undefined, 'A', 'B', 'C')
  const effect = fc.constantFrom('none', 'mark', 'exclude')
  const some = fc.record({
    kind: fc.constantFrom(...siteKindNames),
    when: fc.array(minute, { minLength: 2, maxLength: 2 }),
    slot,
    serials: fc.tuple(serial, serial),
    effect,
    corrects: fc.integer({ min: 1, max: 25 }),
    withdraw: fc.boolean(),
    blind: fc.boolean(),
  })
  type Some = typeof some extends fc.Arbitrary<infer T> ? T : never

  function inputOf({
    kind,
    when,
    slot: s,
    serials,
    effect: e,
    corrects,
    withdraw,
  }: Some): Record<string, unknown> {
    const [from, to] = [...when].sort()
    const [old_serial, new_serial] = serials
    switch (kind) {
      case 'set-up':
        return { kind, place: 'gate', from }
      case 'swapped':
        return { kind, from, slot: s, old_serial, new_serial: new_serial === old_serial ? 'D' : new_serial }
      case 'moved':
        return { kind, from, to, place: s && 'pond' }
      case 'observed':
        return { kind, from, to, slot: s, effect: e, note: 'n' }
      case 'excluded':
        return { kind, from, to: from === to ? 'now' : to, slot: s, effect: e, name: 'n', reason: 'r' }
      case 'zero-check':
        return { kind, from, slot: s, result: 'pass' }
      case 'correction':
        return withdraw
          ? { kind, corrects, withdraw }
          : { kind, corrects, from, to: e === 'none' ? undefined : to }
      default:
        return { kind, from }
    }
  }
  const lineOf = (one: Some, i: number): EventLine =>
    one.blind && one.kind === 'visit-start'
      ? line(i + 1, entry({ kind: one.kind }), { utc: undefined })
      : line(i + 1, entry(inputOf(one)))
  const lines = fc.array(some, { maxLength: 25 }).map((list) => list.map(lineOf))

  const all = (site: SiteLog) => ({
    entries: site.entries(),
    deployments: site.deployments(),
    units: site.units(),
    spans: site.spans(),
    doubts: site.doubts(),
    boundaries: site.boundariesBetween(at('09:00'), at('20T00:00')),
    counts: site.counts(),
    statuses: [undefined, '1', '3'].flatMap((s) =>
      Array.from({ length: 20 }, (_, i) => site.statusAt(utcMillis(at('10:00') + i * 17 * 60_000), s)),
    ),
  })

  it('is the same built at once, one by one with questions between, and in any order of arrival', () => {
    fc.assert(
      fc.property(lines, fc.infiniteStream(fc.nat()), (list, dice) => {
        const atOnce = all(new SiteLog(list))
        const grown = new SiteLog()
        for (const one of list) {
          grown.add(one)
          all(grown)
        }
        expect(all(grown)).toEqual(atOnce)
        const shuffled = list
          .map((one) => [dice.next().value as number, one] as const)
          .sort((a, b) => a[0] - b[0])
        expect(all(new SiteLog(shuffled.map(([, one]) => one)))).toEqual(atOnce)
        expect(isBalanced(atOnce.counts)).toBe(true)
      }),
      { seed, numRuns: 300 },
    )
  })

  it('answers from its index as a plain look through spans, deployments and units does', () => {
    const covers = (p: { from?: number; to?: number }, t: number) =>
      (p.from ?? -Infinity) <= t && t < (p.to ?? Infinity)
    fc.assert(
      fc.property(lines, fc.integer({ min: -10, max: 400 }), slot, (list, m, s) => {
        const site = new SiteLog(list)
        const t = utcMillis(at('10:00') + m * 60_000)
        const here = site.spans().filter((p) => covers(p, t) && (p.slot === undefined || p.slot === s))
        expect(site.statusAt(t, s)).toEqual(
          Object.fromEntries(
            Object.entries({
              excluded: here.find((p) => p.effect === 'exclude')?.reason,
              marked: here.find((p) => p.effect === 'mark')?.reason,
              deployment: site.deployments().find((p) => covers(p, t)),
              unit: site.units().find((p) => covers(p, t) && p.slot === s),
            }).filter(([, value]) => value !== undefined),
          ),
        )
      }),
      { seed, numRuns: 500 },
    )
  })

  it('never has two deployments, or two units in a slot, at one time', () => {
    fc.assert(
      fc.property(lines, (list) => {
        const site = new SiteLog(list)
        const slots = [undefined, '1', '2'].map((s) => site.units().filter((u) => u.slot === s))
        for (const row of [site.deployments(), ...slots])
          row.forEach((piece, i) => {
            const next = row[i + 1]
            if (next) expect(piece.to!).toBeLessThanOrEqual(next.from!)
          })
      }),
      { seed, numRuns: 500 },
    )
  })
})
