import { readFileSync, writeFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import {
  effectiveSettingsText,
  readSettings,
  settingsEventDetails,
  settingsJsonSchemaText,
} from '../../agent/settings/settings.js'
import { canonicalLine, longestLine, monoSeconds, portKind } from '../../agent/terms/terms.js'
import { base, configText, configUrl, goodSettings, keysOf } from './support.js'

describe('the files in config/', () => {
  test('minimal.yaml has no fault and takes every default', () => {
    expect(goodSettings(configText('minimal.yaml'))).toMatchObject({
      station: { name: 'north-fence', group: 'home' },
      instruments: [{ scaling: 'atmospheric', readEverySeconds: 1, warmUpSeconds: 60 }],
      gauges: [],
      data: { flushEverySeconds: 300 },
      clock: { trust: 'auto' },
      alerts: [],
      uplink: { mode: 'none' },
      health: { everyMinutes: 60 },
      log: { level: 'info' },
    })
  })

  test('example.yaml has no fault and no note', () => {
    expect(readSettings(configText('example.yaml'), 'example.yaml')).toMatchObject({ ok: true, notes: [] })
  })

  test('example.yaml shows every key of the schema', () => {
    const text = configText('example.yaml')
    const missing = keysOf(JSON.parse(settingsJsonSchemaText())).filter(
      (key) => !new RegExp(`(^|[\\s#{])${key}\\b`, 'm').test(text),
    )
    expect(missing).toEqual([])
  })

  test('settings.schema.json is what the program checks against (UPDATE_SCHEMA=1 writes it anew)', () => {
    if (process.env.UPDATE_SCHEMA) writeFileSync(configUrl('settings.schema.json'), settingsJsonSchemaText())
    expect(readFileSync(configUrl('settings.schema.json'), 'utf8')).toBe(settingsJsonSchemaText())
  })
})

describe('the settings in force', () => {
  test.each(['minimal.yaml', 'example.yaml'])('of %s read back as the same settings', (name) => {
    const settings = goodSettings(configText(name))
    expect(goodSettings(effectiveSettingsText(settings))).toEqual(settings)
  })

  test('show the defaults under the names of the file', () => {
    expect(effectiveSettingsText(goodSettings(base))).toContain('read_every_s: 1\n')
  })

  test('go into an event line with a hash of the whole', () => {
    const settings = goodSettings(configText('example.yaml'))
    const details = settingsEventDetails(settings)
    expect(details).toMatchObject({
      'station.name': 'north-fence',
      'alerts[0].above': '150',
      'gauges[0].channels.battery_current.factor': '-1',
      'uplink.keepalive_s': '1200',
    })
    expect(details.left_out).toBeUndefined()
    const changed = { ...settings, log: { level: 'debug' as const } }
    expect(settingsEventDetails(changed).hash).not.toBe(details.hash)
  })

  test('fit into an event line however many they are, and say what is left out', () => {
    const rules = Array.from(
      { length: 32 },
      (_, i) => `  - { rule: rule-${i}, channel: temperature, average: 1-h, above: 1 }\n`,
    )
    const photos = Array.from({ length: 16 }, () => `    - '${'%,;='.repeat(50)}'\n`)
    const text = `${base}alerts:\n${rules.join('')}site:\n  photos:\n${photos.join('')}`
    const details = settingsEventDetails(goodSettings(text))
    expect(Number(details.left_out)).toBeGreaterThan(0)
    const line = {
      kind: 'event',
      seq: 1e12,
      boot: '00000000',
      mono: monoSeconds(1e9),
      name: 'settings',
      details,
    } as const
    expect(canonicalLine(line).length).toBeLessThan(longestLine)
  })
})

test('a port tells by its name where the bytes come from', () => {
  expect(['/dev/ttyS0', 'tcp://[::1]:9', 'file:a b.rec'].map(portKind)).toEqual(['serial', 'tcp', 'file'])
})
