import fc from 'fast-check'
import { expect, test } from 'vitest'
import { effectiveSettingsText, readSettings, settingsFaultText } from '../../agent/settings/settings.js'
import { configText } from './support.js'

const seed = Number(process.env.SEED ?? Date.now() % 2 ** 31)
console.info(`test/settings/random: SEED=${seed}`)

const example = configText('example.yaml')
const rows = example.split('\n')

/** Whatever comes out is settings that read back, or faults in one line each, inside the file. */
function holds(text: string): void {
  const read = readSettings(text, 'n.yaml')
  if (read.ok) {
    expect(readSettings(effectiveSettingsText(read.settings), 'again')).toMatchObject({
      ok: true,
      settings: read.settings,
    })
    return
  }
  const last = text.split('\n').length
  expect(read.faults.length).toBeGreaterThan(0)
  for (const fault of read.faults) {
    expect(settingsFaultText(fault)).toMatch(/^n\.yaml:\d+:\d+[^\n\r]*$/)
    expect(fault.line >= 1 && fault.line <= last && fault.column >= 1).toBe(true)
  }
}

const morsel = fc.constantFrom(
  ...[
    ' ',
    '\n',
    '\t',
    ':',
    ': ',
    '- ',
    '#',
    '&a ',
    '*a',
    '!x ',
    '? ',
    '[',
    ']',
    '{',
    '}',
    ',',
    "'",
    '"',
    '|',
    '>',
    '%',
    '@',
    '\0',
    '\r',
    '\ufeff',
  ],
  ...[
    '0',
    '-1',
    '35,5',
    '1e9',
    '.inf',
    'null',
    '~',
    'true',
    '__proto__',
    '<<',
    '...',
    '---',
    '\ud800',
    'µ',
    '0x1F',
  ],
)

test('a damaged example gives settings or faults, and never throws', () => {
  const damage = fc.record({
    at: fc.nat(example.length),
    cut: fc.oneof(fc.nat(3), fc.nat(200)),
    put: fc.array(morsel, { maxLength: 3 }).map((morsels) => morsels.join('')),
  })
  fc.assert(
    fc.property(fc.array(damage, { minLength: 1, maxLength: 4 }), (damages) => {
      holds(
        damages.reduce((text, { at, cut, put }) => text.slice(0, at) + put + text.slice(at + cut), example),
      )
    }),
    { seed, numRuns: 300 },
  )
})

test('an example with lines changed about gives settings or faults, and never throws', () => {
  const change = fc.record({ at: fc.nat(rows.length - 1), from: fc.nat(rows.length - 1), indent: fc.nat(6) })
  fc.assert(
    fc.property(fc.array(change, { minLength: 1, maxLength: 6 }), (changes) => {
      const text = [...rows]
      for (const { at, from, indent } of changes) text[at] = ' '.repeat(indent) + rows[from].trim()
      holds(text.join('\n'))
    }),
    { seed, numRuns: 200 },
  )
})

test('any value at any key gives settings or faults, and never throws', () => {
  const values = fc.oneof(
    morsel,
    fc.string({ maxLength: 20 }),
    fc.json({ maxDepth: 2 }),
    fc.double().map(String),
  )
  const places = rows.flatMap((row, i) => (/^[^#]*\w: \S/.test(row) ? [i] : []))
  fc.assert(
    fc.property(fc.constantFrom(...places), values, (place, value) => {
      holds(rows.map((row, i) => (i === place ? row.replace(/: .*/, () => `: ${value}`) : row)).join('\n'))
    }),
    { seed, numRuns: 300 },
  )
})

test('any text gives settings or faults, and never throws', () => {
  fc.assert(
    fc.property(fc.string({ unit: 'binary', maxLength: 400 }), (text) => holds(text)),
    { seed, numRuns: 200 },
  )
})
