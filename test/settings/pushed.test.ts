/** What of the settings can be set from afar, and that all else is closed. */
import { z } from 'zod'
import { describe, expect, it } from 'vitest'
import { stringify } from 'yaml'
import { openKeys } from '../../agent/settings/open-keys.js'
import { unwrap } from '../../agent/settings/leaves.js'
import { settingsSchema } from '../../agent/settings/schema.js'
import { readPushed, readSettings } from '../../agent/settings/settings.js'
import { base, configText } from './support.js'

const push = (pushed: string, kept?: string, own = base) => readPushed({ own, pushed, kept }, 'pushed.yaml')

/** Every key of the schema that holds no other, as 'alerts[].above'. */
function leavesOf(of: z.ZodType, path: string): { path: string; schema: z.ZodType }[] {
  const schema = unwrap(of)
  if (schema instanceof z.ZodArray) return leavesOf(schema.element as z.ZodType, `${path}[]`)
  if (schema instanceof z.ZodUnion)
    return (schema.options as z.ZodType[]).flatMap((one) => leavesOf(one, path))
  if (schema instanceof z.ZodRecord) return leavesOf(schema.valueType as z.ZodType, `${path}.pressure`)
  if (!(schema instanceof z.ZodObject)) return [{ path, schema }]
  return Object.entries(schema.shape as z.ZodRawShape).flatMap(([key, one]) =>
    leavesOf(one as z.ZodType, path ? `${path}.${key}` : key),
  )
}

const allLeaves = [...new Set(leavesOf(settingsSchema, '').map(({ path }) => path))]

/** A text that names this key alone. */
function textWith(path: string): string {
  const value = path
    .replaceAll('[]', '.[]')
    .split('.')
    .reduceRight<unknown>((inner, step) => (step === '[]' ? [inner] : { [step]: inner }), 'xyz')
  return stringify(value)
}

describe('settings from afar', () => {
  it('open no key that names a program, file, port, user, secret, address, person or place', () => {
    const never =
      /command|file|folder|path|port$|user|password|secret|token|pin|key$|url|client|device|layout|name|switch|ladder|to$|alias|deg$|station|instruments|gauges|clock|site|delivery|receipts|photo/
    const asKeys = [...openKeys].filter((key) => never.test(key.replace('keepalive', '')))
    expect(asKeys).toEqual([])
    expect([...openKeys].filter((key) => !allLeaves.includes(key))).toEqual([])
  })

  it('are refused with the name of the key for every key of the schema that is not on the list', () => {
    const closed = allLeaves.filter((path) => !openKeys.has(path))
    expect(closed.length).toBeGreaterThan(100)
    for (const path of closed) {
      const judged = push(textWith(path))
      if (judged.ok) throw new Error(`${path} was taken`)
      const named = judged.faults.map(({ keyPath }) => keyPath.replace(/\[\d+\]/g, '[]'))
      const isNamed = named.some((key) => key !== '' && (path.startsWith(key) || key.startsWith(path)))
      expect(isNamed, `${path}: ${named.join(', ')}`).toBe(true)
    }
  })

  it('are refused where a closed key has a value that is well but another', () => {
    for (const text of [
      'data: { folder: /elsewhere }',
      'uplink: { receipts: none }',
      'clock: { trust: system }',
    ]) {
      const judged = push(text)
      expect(judged.ok ? [] : judged.faults.map(({ code }) => code), text).toEqual(['closed-key'])
    }
  })

  it('may be the whole file with open keys changed, and only those are kept', () => {
    const own = configText('example.yaml')
    expect(readSettings(own, 'x').ok).toBe(true)
    const judged = push(
      own.replace('every_min: 60 # how often the station', 'every_min: 30 # how'),
      undefined,
      own,
    )
    expect(judged.ok ? [] : judged.faults).toEqual([])
    if (!judged.ok) return
    expect(judged.settings.health.everyMinutes).toBe(30)
    for (const word of ['folder', 'command', 'port', 'username', 'password_file', 'recipients'])
      expect(judged.kept).not.toContain(word)
  })

  it('cannot take an instrument away, nor add one', () => {
    const own = base.replace(/( {2}- layout.*\n.*\n)/, '$1$1')
    const judged = push(base, undefined, own)
    expect(judged.ok ? [] : judged.faults.map(({ keyPath }) => keyPath)).toContain('instruments')
  })

  it('stand over what was pushed before, group by group', () => {
    const judged = push('health: { every_min: 30 }', 'data: { record_s: 30 }\nhealth: { every_min: 10 }')
    expect(judged).toMatchObject({
      ok: true,
      settings: { data: { recordSeconds: 30 }, health: { everyMinutes: 30 } },
    })
  })

  it('tell all faults at once, each by its key and its line in the pushed text', () => {
    const judged = push(
      'health: { every_min: 0 }\ndata:\n  record_s: 61\n  folder: /x\nlog: { levl: info }\n',
    )
    const faults = judged.ok ? [] : judged.faults
    expect(faults.map(({ line, keyPath }) => `${line} ${keyPath}`)).toEqual([
      '1 health.every_min',
      '3 data.record_s',
      '4 data.folder',
      '5 log.levl',
    ])
  })

  it('tell an unknown group once, not each key in it as well', () => {
    const judged = push('helth:\n  every_min: 20\n  more: [1, 2]\n')
    expect(judged.ok ? [] : judged.faults.map(({ keyPath, code }) => `${keyPath} ${code}`)).toEqual([
      'helth unknown-key',
    ])
  })

  it('of no sense are faults too', () => {
    for (const text of ['', '[]', 'x', '- 1', '\u0000', '{}: {}', '__proto__: { a: 1 }', 'a: *b'])
      expect(push(text).ok, text).toBe(false)
    expect(push('{}').ok).toBe(true)
  })
})
