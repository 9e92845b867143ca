import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  canonicalLine,
  cellText,
  columnSet,
  columnSetText,
  kindOf,
  longestLine,
  numberText,
  parseColumnSet,
  parseLine,
  readCell,
  type Column,
  type EventLine,
  type Line,
  type MonoSeconds,
  type RecordLine,
  type UtcMillis,
} from '../../agent/terms/terms.js'

const seed = Date.now() % 2 ** 31
console.info(`seed ${seed}`)

const columns: Column[] = [
  {
    channel: 'pm2_5.1',
    statistic: 'mean',
    unit: 'ug/m3',
    decimals: 2,
    scaling: 'atmospheric',
    basis: 'measured',
  },
  { channel: 'pm2_5.1', statistic: 'used', unit: 's', decimals: 1, basis: 'measured' },
  {
    channel: 'pm10.1',
    statistic: 'mean',
    unit: 'ug/m3',
    decimals: 2,
    scaling: 'atmospheric',
    basis: 'inferred',
  },
  { channel: 'n0_3', statistic: 'mean', unit: '1/0.1L', decimals: 1, basis: 'measured' },
  { channel: 'humidity.outside', statistic: 'mean', unit: '%RH', decimals: 1, basis: 'measured' },
]
const set = columnSet(columns)
const sets = new Map([[set.id, set]])
const boot = '0a1b2c3d'
const mono = 60 as MonoSeconds
const start = Date.UTC(2026, 2, 1) as UtcMillis

const record: RecordLine = {
  kind: 'record',
  seq: 7,
  set: set.id,
  boot,
  mono,
  seconds: 60,
  planned: 60,
  utc: start,
  values: [12.345, 57, 0, 900.04, 45.5],
  excluded: { 'warm-up.1': 3 },
  marked: { humid: 60, 'spike.1': 1 },
}
const event = (details: Record<string, string>): EventLine => ({
  kind: 'event',
  seq: 9,
  boot,
  mono,
  utc: undefined,
  name: 'settings',
  details,
})
const reread = (line: Line): Line | undefined => parseLine(canonicalLine(line, set), sets)

it('knows no channel by the name of what every object has', () => {
  for (const name of ['toString', 'constructor.1', '__proto__', '', '.']) expect(kindOf(name)).toBeUndefined()
  expect(kindOf('pm2_5.1')?.unit).toBe('ug/m3')
})

describe('the canonical text of a line', () => {
  it('of a record is what FORMAT.md shows', () => {
    expect(canonicalLine(record, set)).toBe(
      `record,7,${set.id},0a1b2c3d,60.00,60.0,60.0,2026-03-01T00:00:00Z,12.35,57.0,0.00,900.0,45.5,warm-up.1=3.0,humid=60.0;spike.1=1.0`,
    )
  })

  it('of a record whose clock was not trusted and that has no value has empty cells', () => {
    const text = canonicalLine(
      { ...record, utc: undefined, values: [NaN, 0, NaN, NaN, NaN], excluded: {}, marked: {} },
      set,
    )
    expect(text).toBe(`record,7,${set.id},0a1b2c3d,60.00,60.0,60.0,,,0.0,,,,,`)
    expect(parseLine(text, sets)).toMatchObject({
      values: new Float64Array([NaN, 0, NaN, NaN, NaN]),
      excluded: {},
    })
  })

  it('of the other kinds reads back as the same line', () => {
    const lines: Line[] = [
      {
        kind: 'anchor',
        seq: 1,
        boot,
        mono,
        utc: (start + 250) as UtcMillis,
        source: 'ntp',
        errorSeconds: 0.05,
      },
      { kind: 'skip', seq: 128, from: 66, to: 127, damaged: 2 },
      { kind: 'skip', seq: 128, from: 129, to: 200, damaged: 0 },
      { kind: 'other', seq: 5, text: 'seal,5,-3,"'.slice(0, -1) + 'abc' },
      event({}),
      { ...event({ rule: 'pm2_5 high', state: 'raised' }), utc: start },
    ]
    for (const line of lines) expect(reread(line)).toEqual(line)
  })

  it('never shows a negative zero or an exponent', () => {
    expect(numberText(-0.001, 2)).toBe('0.00')
    expect(numberText(-0, 0)).toBe('0')
    expect(numberText(-0.4, 0)).toBe('0')
    expect(numberText(-0.5, 1)).toBe('-0.5')
    for (const value of [1e21, Infinity, -Infinity, -1e300])
      expect(canonicalLine({ ...record, values: [value, 1, 1, 1, 1] }, set)).toContain('Z,,1.0,')
  })

  it('of a number has the digits that toFixed gives, also beside every tie', () => {
    const seed = Number(process.env.SEED ?? Date.now() % 2 ** 31)
    console.info(`seed ${seed}`)
    const sameAsToFixed = (value: number, decimals: number): void => {
      expect(numberText(value, decimals), `${value}, ${decimals}`).toBe(value.toFixed(decimals))
    }
    const tie = fc
      .tuple(fc.nat(1e6), fc.nat(4), fc.integer({ min: -3, max: 3 }))
      .map(([whole, decimals, ulps]) => (whole + 0.5) / 10 ** decimals + ulps * Number.EPSILON * whole)
    const value = fc.oneof(
      fc.double({ min: 0, max: 2e9, noNaN: true }),
      fc.double({ min: 0, max: 99, noNaN: true }),
      tie,
    )
    fc.assert(fc.property(value, fc.nat(4), sameAsToFixed), { seed, numRuns: 20_000 })
    for (let i = 0; i < 200_000; i++)
      if (numberText(i / 100, 1) !== (i / 100).toFixed(1)) sameAsToFixed(i / 100, 1)
  })

  it('of a record needs the column set that the record names', () => {
    expect(() => canonicalLine(record)).toThrow(set.id)
  })

  it('of any record reads back as the record it says, to the decimals of its columns', () => {
    const value = fc.oneof(fc.constant(NaN), fc.double({ min: -1e6, max: 1e6, noNaN: true }))
    fc.assert(
      fc.property(
        fc.array(value, { minLength: 5, maxLength: 5 }),
        fc.nat(1e9),
        fc.nat(6e4),
        (values, seq, hundredths) => {
          const line = { ...record, seq, mono: (hundredths / 100) as MonoSeconds, values }
          const again = reread(line) as RecordLine
          expect(canonicalLine(again, set)).toBe(canonicalLine(line, set))
          expect(again.mono).toBe(line.mono)
          for (let i = 0; i < 5; i++) {
            if (Number.isNaN(values[i])) expect(again.values[i]).toBeNaN()
            else
              expect(Math.abs(again.values[i] - values[i])).toBeLessThanOrEqual(
                0.5001 * 10 ** -columns[i].decimals,
              )
          }
        },
      ),
      { seed },
    )
  })
})

describe('free text in a cell', () => {
  const hostile = [
    '',
    'a,b;c=d%e"f',
    '%2C',
    '%u2028',
    '%E2%80%A8',
    'line\nend\r\n\u2028\u2029\u0085\u000b',
    '\0\u007f\u009f',
    'µg/m³ über 20 °C',
    '\u{1f4a8} smoke',
    '=cmd()',
    '+1',
    '-1',
    '@sum',
    '=2C',
  ]

  it('survives any hostile content', () => {
    for (const text of hostile) {
      expect(readCell(cellText(text))).toBe(text)
      expect(reread(event({ note: text, ['a' + text]: 'x', [text + 'a']: '' }))).toEqual(
        event({ note: text, ['a' + text]: 'x', [text + 'a']: '' }),
      )
    }
  })

  it('survives anything at all, and what it may not hold never shows', () => {
    const text = fc.string({ unit: 'binary', maxLength: 40 })
    fc.assert(
      fc.property(fc.dictionary(text, text, { maxKeys: 5 }), (details) => {
        const line = canonicalLine(event(details))
        expect(line).not.toMatch(/["\u0000-\u001f\u007f-\u009f\u2028\u2029]/)
        expect(line.split(',')).toHaveLength(7)
        const again = parseLine(line, sets) as EventLine
        expect(Object.entries(again.details)).toEqual(Object.entries(details).filter(([key]) => key !== ''))
      }),
      { seed },
    )
  })

  it('is percent-encoding as RFC 3986 has it: the standard decoder reads it', () => {
    for (const text of hostile) expect(decodeURIComponent(cellText(text))).toBe(text)
  })

  it('with half a surrogate pair, which UTF-8 cannot carry, gets the replacement character', () => {
    expect(cellText('a\ud800b')).toBe('a\ufffdb')
  })

  it('never begins a cell that a spreadsheet would run as a formula', () => {
    const text = fc.string({
      unit: fc.constantFrom('=', '+', '-', '@', '\t', '\r', ',', ';', 'a', '1'),
      maxLength: 12,
    })
    fc.assert(
      fc.property(fc.dictionary(text, text, { maxKeys: 4 }), (details) => {
        for (const cell of canonicalLine(event(details)).split(',')) expect(cell).not.toMatch(/^[=+\-@\t\r]/)
      }),
      { seed },
    )
  })
})

describe('reading a text', () => {
  const refused = (text: string): void => expect(parseLine(text, sets), text).toBeUndefined()

  it('refuses what the writer would not have written', () => {
    const good = canonicalLine(record, set)
    const changes: [string, string][] = [
      ['12.35', '12.350'],
      ['12.35', '12.3'],
      ['12.35', '+12.35'],
      ['12.35', '1e2'],
      ['12.35', ' 12.35'],
      ['12.35', 'NaN'],
      ['0.00', '-0.00'],
      ['60.00', 'NaN'],
      ['60.00', '060.00'],
      ['record,7', 'record,07'],
      ['record,7', 'record,-7'],
      ['record,7', 'record,7.0'],
      ['record,7', 'Record,7'],
      ['0a1b2c3d', '0A1B2C3D'],
      ['00:00:00Z', '00:00:00.5Z'],
      ['2026-03-01', '2026-02-30'],
      ['warm-up.1=3.0', 'warm-up.1=0.0'],
      ['warm-up.1=3.0', 'warm-up.1=3.0;warm-up.1=3.0'],
      ['warm-up.1=3.0', '+warm-up=3.0'],
      ['warm-up.1=3.0', 'warm%2Dup.1=3.0'],
      [set.id, 'c00000000'],
    ]
    expect(parseLine(good, sets)).toBeDefined()
    for (const [from, to] of changes) refused(good.replace(from, to))
    refused(good + ',')
    refused(good + '\n')
    refused(good.slice(0, good.lastIndexOf(',')))
  })

  it('refuses numbers that are none in every kind', () => {
    refused('skip,5,NaN,NaN,NaN')
    refused('skip,5,1.5,2.5,0')
    refused('skip,5,4,3,0')
    refused('skip,5,1,5,0')
    refused(`anchor,1,${boot},NaN,2026-03-01T00:00:00.000Z,ntp,0.050`)
    refused(`anchor,1,${boot},1.00,2026-03-01T00:00:00.000Z,ntp,NaN`)
    refused(`event,1,${boot},NaN,,started,`)
  })

  it('refuses an encoding that is broken or not needed', () => {
    for (const details of [
      'a=%',
      'a=%2',
      'a=%GG',
      'a=%2c',
      'a=%61',
      'a=%FF',
      'a',
      'a=b;',
      '=b',
      'b=1;b=2',
      '+a=1',
    ])
      refused(`event,1,${boot},1.00,,started,${details}`)
  })

  it('keeps a kind it does not know, unless it would break the file or run in a spreadsheet', () => {
    for (const text of ['seal,5', 'seal,5,', 'seal,5,a b,-3.5,-1', 'gone,12,ü'])
      expect(parseLine(text, sets)).toEqual({ kind: 'other', seq: Number(text.split(',')[1]), text })
    for (const cell of ['=1', '+1', '@a', '-a', '-1a', '"', 'a\nb', 'a\rb', '\0', '\u2028', '\ud800'])
      refused(`seal,5,${cell},1`)
    for (const text of [
      '',
      'seal',
      'seal,',
      's,5',
      'seal,x',
      ',5',
      'record',
      '5,seal',
      'seal,1234567890123456',
    ])
      refused(text)
  })

  it('refuses a text longer than the longest line', () => {
    const text = 'seal,5,' + 'a'.repeat(longestLine - 7)
    expect(parseLine(text, sets)).toBeDefined()
    refused(text + 'a')
  })

  it('of a line with one character changed gives nothing or a line that says exactly that', () => {
    const texts = [canonicalLine(record, set), canonicalLine(event({ a: 'b,c', d: '' })), 'skip,128,66,127,2']
    fc.assert(
      fc.property(
        fc.constantFrom(...texts),
        fc.nat(),
        fc.string({ unit: 'binary', maxLength: 2 }),
        (text, at, other) => {
          const changed = text.slice(0, at % text.length) + other + text.slice((at % text.length) + 1)
          const line = parseLine(changed, sets)
          if (line) expect(canonicalLine(line, set)).toBe(changed)
        },
      ),
      { seed, numRuns: 2000 },
    )
  })
})

describe('a column set', () => {
  it('reads back from its text and is named by its content', () => {
    expect(parseColumnSet(columnSetText(set))).toEqual(set)
    expect(columnSet([...columns]).id).toBe(set.id)
    expect(columnSet(columns.slice(1)).id).not.toBe(set.id)
    expect(columnSet([{ ...columns[0], scaling: 'standard-particle' }, ...columns.slice(1)]).id).not.toBe(
      set.id,
    )
  })

  it('stands above its records cell by cell', () => {
    const heads = columnSetText(set).split(',')
    const cells = canonicalLine(record, set).split(',')
    expect(heads).toHaveLength(cells.length)
    expect(heads.slice(3, 9)).toEqual([
      'boot',
      'mono s',
      'seconds',
      'planned s',
      'utc',
      'pm2_5.1:mean ug/m3 2 atmospheric',
    ])
    expect(heads.slice(-2)).toEqual(['excluded s', 'marked s'])
  })

  it('of a later release with a channel and a statistic not known here is kept', () => {
    const later = columnSet([{ ...columns[0], channel: 'ozone', statistic: 'p95' as 'max' }])
    expect(parseColumnSet(columnSetText(later))).toEqual(later)
  })

  it('is refused when its text is not what the writer would have written', () => {
    const text = columnSetText(set)
    for (const changed of [
      text.replace('mono s', 'mono'),
      text.replace('mean', 'max'),
      text.replace(set.id, 'c00000000'),
      text.replace('ug/m3', '"ug/m3"'),
      text.replace('ug/m3', '=ug'),
      text.replace('columns,', 'columns,1'),
      text + ',',
      'columns,,' + set.id,
      '',
    ])
      expect(parseColumnSet(changed), changed).toBeUndefined()
  })
})
