import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  entryDetails,
  entryOf,
  readEntry,
  siteKindNames,
  siteKinds,
  textLimits,
  type SiteKind,
} from '../../agent/sitelog/sitelog.js'
import { canonicalLine, longestLine, parseLine, utcMillis, type EventLine } from '../../agent/terms/terms.js'
import { at, entry, faults, line, monthEnd, utc } from './support.js'

const seed = Date.now() % 2 ** 31
console.info(`seed ${seed}`)

/** One good entry of each kind with everything it may have. */
const full: Record<SiteKind, Record<string, unknown>> = {
  'set-up': { place: 'gate, north side', slot: '1', new_serial: 'A-17' },
  'visit-start': {},
  'visit-end': {},
  'inlet-cleaned': { to: utc('09:10'), slot: '1', effect: 'exclude' },
  'zero-check-start': { slot: '2' },
  'zero-check': { slot: '2', to: utc('09:10'), result: 'repeat', offset_ug_m3: '2.60', used_s: 590 },
  swapped: { slot: '1', old_serial: 'A-17', new_serial: 'B-3', to: utc('09:05'), effect: 'exclude' },
  moved: { place: 'pond', to: utc('10:00'), effect: 'exclude' },
  observed: { note: 'mowing beside the station', to: utc('09:40'), effect: 'mark', slot: '1' },
  excluded: { to: utc('12:00'), name: 'bonfire', reason: 'smoke from the next garden', slot: '1' },
  removed: {},
  correction: { corrects: 12, why: 'watch was an hour fast', effect: 'none', to: utc('11:00') },
}
const common = { who: 'M. K.', note: 'a note', from: utc('09:00') }
const inputOf = (kind: SiteKind) => ({ kind, ...common, ...full[kind] })

const roundTrip = (of: EventLine): EventLine => parseLine(canonicalLine(of), new Map()) as EventLine

describe('an entry', () => {
  it.each(siteKindNames)('of the kind %s goes through a line and comes back the same', (kind) => {
    const one = entry(inputOf(kind))
    expect(one.kind).toBe(kind)
    expect(entryOf(roundTrip(line(7, one)))).toEqual(one)
  })

  it.each(siteKindNames)('of the kind %s names every part that is missing', (kind) => {
    const missing = faults({ kind }).filter((f) => f.endsWith('missing'))
    const alone = { swapped: ['new_serial missing'], correction: ['corrects missing', 'withdraw missing'] }
    const needs = siteKinds[kind].needs.map((field) => `${field} missing`)
    expect(missing).toEqual((alone as Record<string, string[]>)[kind] ?? needs)
  })

  it('happens now, with the usual effect of its kind, unless something else is said', () => {
    expect(entry({ kind: 'observed', note: 'n' })).toEqual({
      kind: 'observed',
      note: 'n',
      effect: 'none',
      from: 'now',
    })
    expect(entry({ kind: 'visit-start' }).effect).toBe('exclude')
    expect(entryDetails(entry({ kind: 'visit-start' }))).toEqual({ kind: 'visit-start', effect: 'exclude' })
  })

  it('has the whole texts, commas, quotes and formulas included, and cells that no spreadsheet runs', () => {
    const note = '=HYPERLINK("http://x"),+1;@a=%2C'
    const text = canonicalLine(line(1, entry({ kind: 'observed', note })))
    expect(text.split(',')).toHaveLength(7)
    expect(text).not.toMatch(/[,;=][=+@-]|"/)
    expect(entryOf(parseLine(text, new Map()) as EventLine)?.note).toBe(note)
  })

  it('fits in a line even when each text has its full length and each character is encoded', () => {
    const texts = Object.fromEntries(Object.entries(textLimits).map(([field, n]) => [field, ','.repeat(n)]))
    const huge = { ...entry(inputOf('swapped')), ...texts, newSerial: ';'.repeat(40) }
    const text = canonicalLine({ ...line(1, huge), seq: 999_999_999_999_999 })
    expect(text.length).toBeLessThan(longestLine)
  })

  it('is not read from lines of another name, kinds of a later release, or details nobody would write', () => {
    const good = line(1, entry(inputOf('excluded')))
    const change = (details: Record<string, string>) => ({
      ...good,
      details: { ...good.details, ...details },
    })
    expect(entryOf({ ...good, name: 'alert' })).toBeUndefined()
    expect(entryOf(change({ kind: 'repainted' }))).toBeUndefined()
    expect(entryOf(change({ effect: 'delete' }))).toBeUndefined()
    expect(entryOf(change({ to: 'yesterday' }))).toBeUndefined()
    expect(entryOf(change({ to: utc('08:00') }))).toBeUndefined()
    expect(entryOf({ ...good, details: {} })).toBeUndefined()
    expect(entryOf({ ...good, details: { kind: 'removed' } })).toBeUndefined()
  })

  it('is read from a line that has keys of a later release too', () => {
    const good = line(1, entry(inputOf('observed')))
    expect(entryOf({ ...good, details: { ...good.details, photo: 'p.jpg' } })).toEqual(entryOf(good))
  })
})

describe('what a person typed', () => {
  it('is told with every fault at once, each with what is allowed', () => {
    const read = readEntry(
      {
        kind: 'excluded',
        from: utc('10:00'),
        to: 'noon',
        name: '',
        colour: 'red',
        place: 'x',
        effect: 'delete',
      },
      monthEnd,
    )
    const list = read.ok ? [] : read.faults
    expect(list.map((f) => `${f.key} ${f.code}`).sort()).toEqual([
      'colour unknown-key',
      'effect not-allowed',
      'name empty',
      'place not-for-this-kind',
      'reason missing',
      'to not-a-time',
    ])
    for (const { words } of list) expect(words).toMatch(/allowed|leave it out|needs/)
  })

  it('may have slips of the hand in words', () => {
    expect(entry({ kind: ' Inlet_Cleaned ' }).kind).toBe('inlet-cleaned')
    expect(entry({ kind: 'zero check', result: 'Not enough data' }).result).toBe('not-enough-data')
  })

  it('takes times in UTC to the minute, second or fraction, with an offset, and now', () => {
    const from = (text: string) => entry({ kind: 'observed', note: 'n', from: text }).from
    expect(from('2026-03-01T08:30Z')).toBe(at('08:30'))
    expect(from('2026-03-01 08:30:00.999Z')).toBe(at('08:30'))
    expect(from('2026-03-01T10:30+02:00')).toBe(at('08:30'))
    expect(from('2026-02-28T23:00-09:30')).toBe(at('08:30'))
    expect(from('NOW')).toBe('now')
  })

  it.each([
    '2026-03-01T08:30',
    '08:30',
    '2026-02-30T08:30Z',
    '2026-03-01T24:00Z',
    '2026-03-01T08:60Z',
    '1767225600',
    'yesterday',
    '',
    1767225600000,
    {},
  ])('refuses %j as a time', (from) => {
    expect(faults({ kind: 'observed', note: 'n', from })).toEqual(['from not-a-time'])
  })

  it('refuses the future, and years that are a slip', () => {
    const now = at('10:00')
    const both = { kind: 'observed', note: 'n', from: utc('10:00'), to: '2026-03-01T10:00:01Z' }
    expect(faults(both, now)).toEqual(['to future'])
    expect(faults({ ...both, to: utc('10:00') }, now)).toEqual([])
    expect(faults({ kind: 'removed', from: '1926-03-01T10:00Z' })).toEqual(['from too-early'])
    expect(faults({ ...inputOf('excluded'), from: '2016-03-01T10:00Z' })).toEqual(['to too-long-a-span'])
  })

  it("takes no time but 'now' while the station does not know the time", () => {
    const typed = { kind: 'observed', note: 'n', from: utc('09:00') }
    const read = readEntry(typed, undefined)
    expect(read.ok ? [] : read.faults.map((f) => f.code)).toEqual(['clock-unknown'])
    expect(readEntry({ ...typed, from: 'now' }, undefined).ok).toBe(true)
  })

  it('refuses spans that run backwards, and effects without a span', () => {
    expect(faults({ ...inputOf('excluded'), to: utc('08:59') })).toEqual(['to order'])
    expect(faults({ ...inputOf('excluded'), to: utc('09:00') })).toEqual(['to order'])
    expect(faults({ ...inputOf('excluded'), from: 'now', to: 'now' })).toEqual(['to order'])
    expect(faults({ kind: 'observed', note: 'n', to: utc('09:00') })).toEqual(['to order'])
    expect(faults({ kind: 'observed', note: 'n', effect: 'mark' })).toEqual(['to missing'])
    expect(faults({ ...inputOf('excluded'), to: 'now' })).toEqual([])
  })

  it('names a slot that the station has', () => {
    const swap = { kind: 'swapped', new_serial: 'B' }
    expect(faults({ ...swap, slot: 'A b' })).toEqual(['slot not-a-slot'])
    expect(faults({ ...swap, slot: '3' }, monthEnd, { slots: ['1', '2'] })).toEqual(['slot not-a-slot'])
    expect(faults(swap, monthEnd, { slots: ['1', '2'] })).toEqual(['slot missing'])
    expect(faults({ ...swap, slot: '1' }, monthEnd, { slots: [] })).toEqual(['slot not-a-slot'])
    expect(faults({ ...swap, slot: '1' }, monthEnd, { slots: ['1', '2'] })).toEqual([])
  })

  it('has two different units in a swap, and one way to move and to correct', () => {
    expect(faults({ kind: 'swapped', old_serial: 'A', new_serial: 'A' })).toEqual(['new_serial not-allowed'])
    expect(faults({ kind: 'swapped', old_serial: 'A' })).toEqual([])
    expect(faults({ kind: 'moved', slot: '1', place: 'pond' })).toEqual(['place not-allowed'])
    expect(faults({ kind: 'correction', corrects: 3, withdraw: 'yes', note: 'n' })).toEqual([
      'withdraw not-allowed',
    ])
    expect(faults({ kind: 'correction', corrects: 3, withdraw: 'no' })).toEqual(['withdraw not-allowed'])
    expect(faults({ kind: 'correction', corrects: 3, from: 'now' })).toEqual(['from not-allowed'])
  })

  it.each(['0', '1,5', '-1', '1e3', 1.5, '9'.repeat(30), NaN, ''])(
    'refuses %j as the number of an entry',
    (corrects) => {
      expect(faults({ kind: 'correction', corrects, withdraw: 'yes' })).toEqual(['corrects not-a-number'])
    },
  )

  it('refuses a comma decimal in an offset', () => {
    expect(faults({ kind: 'zero-check', result: 'pass', offset_ug_m3: '1,5' })).toEqual([
      'offset_ug_m3 not-a-number',
    ])
  })

  it('is bounded: 10 kB notes, line breaks, control characters and reversed text are refused', () => {
    const note = (text: unknown) => faults({ kind: 'observed', note: text })
    expect(note('x'.repeat(textLimits.note))).toEqual([])
    expect(note('x'.repeat(textLimits.note + 1))).toEqual(['note too-long'])
    expect(note('x'.repeat(10_000))).toEqual(['note too-long'])
    for (const bad of [
      'a\nb',
      'a\r\nb',
      'a\tb',
      'a\u0000b',
      'a\u001b[2Jb',
      'a\u2028b',
      'a\u202eb',
      'a\ud800b',
    ])
      expect(note(bad), JSON.stringify(bad)).toEqual(['note not-one-line'])
    expect(note(17)).toEqual(['note not-text'])
    expect(note('   ')).toEqual(['note empty'])
    expect(note('größer, "später" 時')).toEqual([])
  })

  it('with thousands of keys is refused in one fault', () => {
    const many = Object.fromEntries(Array.from({ length: 5000 }, (_, i) => [`k${i}`, 1]))
    expect(faults({ kind: 'removed', ...many })).toEqual([' too-many-keys'])
  })

  it('never throws, tells in one short line each, and what it takes comes back from a line the same', () => {
    const key = fc.oneof(fc.constantFrom(...Object.values(inputKeys)), fc.string())
    const value = fc.oneof(
      fc.constantFrom<unknown>(
        ...siteKindNames,
        'now',
        utc('09:00'),
        utc('10:00'),
        '1',
        'mark',
        'pass',
        'yes',
        5,
      ),
      fc.anything(),
      fc.string({ unit: 'binary', maxLength: 30 }),
    )
    const extra = fc.array(fc.tuple(key, value), { maxLength: 6 })
    let taken = 0
    fc.assert(
      fc.property(fc.constantFrom(...siteKindNames), extra, fc.boolean(), (kind, pairs, whole) => {
        const read = readEntry(
          { ...(whole ? inputOf(kind) : { kind }), ...Object.fromEntries(pairs) },
          monthEnd,
        )
        if (read.ok) {
          taken++
          expect(entryOf(roundTrip(line(1, read.value)))).toEqual(read.value)
        } else
          for (const { words } of read.faults) {
            expect(words).not.toMatch(/[\p{Cc}\u2028\u2029]/u)
            expect(words.length).toBeLessThan(400)
          }
      }),
      { seed, numRuns: 2000 },
    )
    expect(taken).toBeGreaterThan(100)
  })

  it('takes a time that is now to the millisecond', () => {
    const now = utcMillis(at('10:00') + 250)
    expect(faults({ kind: 'removed', from: new Date(now).toISOString() }, now)).toEqual([])
  })
})

const inputKeys = [
  'kind effect who note slot from to place old_serial new_serial name reason result offset_ug_m3 used_s',
  'corrects withdraw why __proto__ constructor toString',
].flatMap((keys) => keys.split(' '))
