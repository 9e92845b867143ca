import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { Ajv2020 } from 'ajv/dist/2020.js'
import { describe, expect, it } from 'vitest'
import { parse } from 'yaml'
import {
  collectorJsonSchemaText,
  isCollectorSettings,
  readCollectorSettings,
  settingsFaultText,
} from '../../agent/settings/settings.js'
import { configText, configUrl, keysOf } from './support.js'

const whole = `version: 1
collector: { group: oakfield, archive: /srv/oakfield, silent_after_min: 240 }
broker: { url: 'mqtts://broker.example.org:8883', username: _collector, password_file: /etc/motepost/broker-password }
delivery:
  recipients:
    - alias: desk
      ways: [{ way: webhook, to: 'https://desk.example.org/hook' }]
`
const faults = (text: string): string[] => {
  const read = readCollectorSettings(text, 'collector.yaml')
  return read.ok ? [] : read.faults.map(settingsFaultText)
}

describe('the settings of a collector', () => {
  it('name group, archive, broker, limits and who is told', () => {
    expect(readCollectorSettings(whole, 'collector.yaml')).toMatchObject({
      ok: true,
      settings: {
        ...{ group: 'oakfield', archive: '/srv/oakfield', timeZone: 'UTC' },
        ...{ lateAfterSeconds: 4500, silentAfterSeconds: 14_400 },
        broker: { protocol: 5, username: '_collector' },
        delivery: { recipients: [{ alias: 'desk' }] },
      },
    })
  })

  it('have no text for a measured value: a collector tells of none', () => {
    const own = (kind: string) => `${whole}  templates: { ${kind}: '{station}: {what}. {code}' }\n`
    expect(faults(own('trouble'))).toEqual([])
    expect(faults(own('raised'))).toEqual([
      expect.stringMatching(
        /^collector\.yaml:8:16 delivery\.templates\.raised: unknown key; allowed here: trouble/,
      ),
    ])
  })

  it('name a database, encrypted unless it is on this machine; a password has no place in them', () => {
    const databaseOf = (block: string) => {
      const read = readCollectorSettings(`${whole}postgres: ${block}\n`, 'collector.yaml')
      return read.ok ? read.settings.postgres : read.faults.map(settingsFaultText)
    }
    expect(databaseOf('{}')).toEqual({
      ...{ host: '/run/postgresql', port: 5432, database: 'motepost', user: 'motepost', tls: false },
    })
    expect(
      databaseOf('{ host: db.example.org, password_file: /etc/motepost/postgres-password }'),
    ).toMatchObject({
      ...{ host: 'db.example.org', passwordFile: '/etc/motepost/postgres-password', tls: true },
    })
    expect(databaseOf("{ host: '::1', ca_file: /etc/ca.crt, tls: true }")).toMatchObject({
      ...{ tls: true, caFile: '/etc/ca.crt' },
    })
    const refused = databaseOf('{ password_file: open-sesame }') as string[]
    expect(refused[0]).toMatch(/^collector\.yaml:\d+:.*password_file/)
    expect(refused.join()).not.toContain('open-sesame')
  })

  it('of the README can be used', () => {
    const readme = readFileSync(join(import.meta.dirname, '../../README.md'), 'utf8')
    const blocks = readme.match(/(?<=```yaml\n)[^`]*/g)?.filter((text) => /^collector:/m.test(text)) ?? []
    expect(blocks.map((text) => faults(text))).toEqual([[]])
  })

  it('are refused with line and key, as those of a station are', () => {
    expect(faults(whole.replace('group:', 'grop:'))[0]).toMatch(/^collector\.yaml:2:14.*grop.*group/)
    expect(faults(whole.replace('silent_after_min: 240', 'silent_after_min: 60'))[0]).toMatch(
      /^collector\.yaml:2:.*silent_after_min/,
    )
    expect(faults(whole.replace('webhook,', 'email,'))[0]).toMatch(/^collector\.yaml:7:/)
    expect(faults(whole.replace('oakfield,', 'oakfield, time_zone: Nowhere/Land,'))[0]).toMatch(
      /:2:.*time zone/,
    )
    expect(faults('')).not.toEqual([])
  })
})

describe('the files of a collector in config/', () => {
  it('are an example without a fault that shows every key', () => {
    const text = configText('collector.example.yaml')
    expect(faults(text)).toEqual([])
    const missing = keysOf(JSON.parse(collectorJsonSchemaText())).filter(
      (key) => !new RegExp(`(^|[\\s#{])${key}\\b`, 'm').test(text),
    )
    expect(missing).toEqual([])
  })

  it('are a schema that is what the program checks against (UPDATE_SCHEMA=1 writes it anew)', () => {
    if (process.env.UPDATE_SCHEMA)
      writeFileSync(configUrl('collector.schema.json'), collectorJsonSchemaText())
    expect(configText('collector.schema.json')).toBe(collectorJsonSchemaText())
  })

  it('take and refuse alike, by a validator that shares nothing with the program (ajv)', () => {
    const takes = new Ajv2020({ strict: true, strictTuples: false }).compile(
      JSON.parse(configText('collector.schema.json')) as object,
    )
    const text = configText('collector.example.yaml')
    for (const [old, put, isTaken] of [
      ['', '', true],
      ['late_after_min: 75', 'late_after_min: 0', false],
      ['group: slate-hollow', 'grop: slate-hollow', false],
      ['protocol: 5', 'protocol: 3', false],
      ['port: 5432', "port: '5432'", false],
      ['group: slate-hollow', 'group: Slate Hollow', false],
    ] as const) {
      const changed = text.replace(old, put)
      expect([put, takes(parse(changed)), faults(changed).length === 0]).toEqual([put, isTaken, isTaken])
    }
  })

  it('are told from those of a station by their block', () => {
    expect(isCollectorSettings(configText('collector.example.yaml'))).toBe(true)
    expect(isCollectorSettings('collector: 7')).toBe(true)
    for (const text of [configText('example.yaml'), '', '[', 'collector', '- collector'])
      expect(isCollectorSettings(text)).toBe(false)
  })
})
