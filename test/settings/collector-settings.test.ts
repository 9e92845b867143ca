import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { readCollectorSettings, settingsFaultText } from '../../agent/settings/settings.js'

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
