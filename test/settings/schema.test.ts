/**
 * config/settings.schema.json against a JSON Schema validator that shares nothing with the program (ajv, draft 2020-12): it is
 * a valid schema, it takes what we take, and what it refuses we refuse. We refuse more: what needs two keys or the system.
 */
import { Ajv2020 } from 'ajv/dist/2020.js'
import { describe, expect, test } from 'vitest'
import { parse, stringify } from 'yaml'
import { readSettings } from '../../agent/settings/settings.js'
import { base, configText } from './support.js'

const ajv = new Ajv2020({ strict: true, allErrors: true, strictTuples: false })
const validate = ajv.compile(JSON.parse(configText('settings.schema.json')) as object)
const schemaTakes = (value: unknown): boolean => validate(value)
const weTake = (text: string): boolean => readSettings(text, 'x.yaml').ok

type Path = readonly (string | number)[]

/** Paths of everything in a value that holds no other value. */
function leaves(value: unknown, path: Path = []): Path[] {
  if (typeof value !== 'object' || value === null) return [path]
  return Object.entries(value).flatMap(([key, one]) =>
    leaves(one, [...path, Array.isArray(value) ? Number(key) : key]),
  )
}

const at = (value: unknown, path: Path): unknown =>
  path.reduce((found: unknown, step) => (found as Record<string, unknown>)[step], value)

function changed(value: unknown, [step, ...rest]: Path, put: (old: unknown) => unknown): unknown {
  if (step === undefined) return put(value)
  if (Array.isArray(value))
    return value.map((one: unknown, i) => (i === step ? changed(one, rest, put) : one))
  const map = value as Record<string, unknown>
  return { ...map, [step]: changed(map[step], rest, put) }
}

describe('the JSON Schema of the settings', () => {
  test.each(['minimal.yaml', 'example.yaml'])('takes config/%s', (name) => {
    expect(schemaTakes(parse(configText(name))), JSON.stringify(validate.errors)).toBe(true)
  })

  test.each([
    ['an unknown key', `${base}colour: red\n`],
    ['an unknown key in a group', base.replace('name: north-fence', 'name: north-fence\n  nmae: x')],
    ['a missing group', base.slice(0, base.indexOf('data:'))],
    ['another version', base.replace('version: 1', 'version: 2')],
    ['a zero that is no time', base.replace('/dev/sensor', '/dev/sensor\n    read_every_s: 0')],
    ['a decimal comma', base.replace('/dev/sensor', "/dev/sensor\n    read_every_s: '1,5'")],
    ['a quoted number', base.replace('/dev/sensor', "/dev/sensor\n    read_every_s: '1'")],
    ['milliseconds', base.replace('/dev/sensor', '/dev/sensor\n    read_every_s: 1000')],
    ['the text false for a switch', base.replace('/dev/sensor', "/dev/sensor\n    outdoors: 'false'")],
    ['no instrument', base.replace(/instruments:[^]*(?=data:)/, 'instruments: []\n')],
    ['nine instruments', base.replace(/( {2}- layout.*\n.*\n)/, '$1'.repeat(9))],
    ['a word outside a closed list', `${base}clock: { trust: always }\n`],
    ['an empty value', base.replace('north-fence', "''")],
  ])('and our own judge refuse %s', (_, text) => {
    expect(schemaTakes(parse(text))).toBe(false)
    expect(weTake(text)).toBe(false)
  })

  test('refuses nothing that we take, whichever value of the example is replaced by what', () => {
    const example: unknown = parse(configText('example.yaml'))
    const values = [0, -1, 1e9, 0.5, true, '35,5', '', 'north', null, []]
    const [disagreed, tried]: [string[], { both: number; oursOnly: number }] = [[], { both: 0, oursOnly: 0 }]
    for (const path of leaves(example))
      for (const value of values) {
        // An unquoted number is a text for a name or a label: we read it as it is written, the schema sees a number.
        if (typeof value === 'number' && typeof at(example, path) === 'string') continue
        const other = changed(example, path, () => value)
        const [schema, ours] = [schemaTakes(other), weTake(stringify(other))]
        if (ours && !schema) disagreed.push(`${path.join('.')} = ${JSON.stringify(value)}`)
        if (!ours) tried[schema ? 'oursOnly' : 'both']++
      }
    console.info(`schema: ${tried.both} refused by both, ${tried.oursOnly} by our judge alone`)
    expect(disagreed).toEqual([])
    expect(tried.both).toBeGreaterThan(200)
  }, 240_000)

  test('refuses a trillion at every number', () => {
    const example: unknown = parse(configText('example.yaml'))
    const numbers = leaves(example).filter((path) => typeof at(example, path) === 'number')
    for (const path of numbers)
      expect(schemaTakes(changed(example, path, () => 1e12)), path.join('.')).toBe(false)
  })
})
