import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, describe, expect, it } from 'vitest'
import { tryDelivery } from '../../agent/cli/check-delivery.js'
import { deliveryOptions, deliveryPorts, modemPortOf } from '../../agent/cli/compose-delivery.js'
import { readSettings, settingsFaultText, type Settings } from '../../agent/settings/settings.js'
import { startMailServer, startRawServer } from '../support/mail-server.js'
import { messageTo } from '../support/way-contract.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-told-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))
const passwordFile = join(folder, 'mail-password')
writeFileSync(passwordFile, 'pl4nted-password\n')

const stops: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0)) await stop()
})

/** What must be seen nowhere. */
const planted = /secretname|5550100|hook-path|t0k3n|pl4nted|station-address|north-user/

const settingsOf = (delivery: string): Settings => {
  const text = `version: 1
station: { name: north-fence, time_zone: Etc/GMT-1 }
instruments: [{ layout: frames-424d-32, port: /dev/no-sensor }]
data: { folder: '${join(folder, 'data')}' }
delivery:
${delivery}`
  const read = readSettings(text, 'north.yaml')
  if (!read.ok) throw new Error(read.faults.map(settingsFaultText).join('\n'))
  return read.settings
}

const both = (mailPort: number, hookPort: number, password = passwordFile): string => `
  recipients:
    - alias: warden
      ways:
        - { way: email, to: secretname@example.org, next_after_min: 5 }
        - { way: webhook, to: 'http://127.0.0.1:${hookPort}/hook-path?token=t0k3n' }
      quiet_from_h: 0
      quiet_to_h: 0
      daily_line: []
    - alias: deputy
      ways: [{ way: email, to: deputy.secretname@example.org }]
      least: high
      may_answer: false
  most_an_hour: 4
  daily_line_h: 6
  mail: { server: 127.0.0.1, port: ${mailPort}, security: none, username: north-user, password_file: '${password}', from: station-address@example.org, limit_s: 5 }
  webhook: { limit_s: 5 }
  templates: { raised: '{station}: {what} {code}' }
`

describe('check of those who are told', () => {
  it('says that nobody is where nobody is named', async () => {
    const text = `version: 1
station: { name: a, time_zone: UTC }
instruments: [{ layout: frames-424d-32, port: /dev/no-sensor }]
data: { folder: /d }
`
    const read = readSettings(text, 'a')
    expect(read.ok && (await tryDelivery(read.settings, false))).toMatchObject([{ what: 'told', well: true }])
  })

  it('greets the mail server, logs in, opens the webhook, sends nothing, and names nobody but by alias', async () => {
    const mail = await startMailServer({ login: { user: 'north-user', password: 'pl4nted-password' } })
    let bytes = 0
    const hook = await startRawServer((socket) => void socket.on('data', (chunk) => (bytes += chunk.length)))
    stops.push(mail.stop, hook.stop)
    const items = await tryDelivery(settingsOf(both(mail.port, hook.port)), false)
    expect(items).toEqual([
      { what: 'told', well: true, words: 'warden, deputy' },
      { what: 'mail', well: true, words: `127.0.0.1:${mail.port} lets us in` },
      { what: 'webhook', well: true, words: 'that of warden can be reached' },
    ])
    expect([mail.mails.length, bytes]).toEqual([0, 0])
  })

  it('tells a wrong password, a file that is not there, and servers that are not, without a word of whom it is for', async () => {
    const mail = await startMailServer({ login: { user: 'north-user', password: 'another' } })
    const gone = await startRawServer(() => undefined)
    await gone.stop()
    stops.push(mail.stop)
    const wrong = await tryDelivery(settingsOf(both(mail.port, gone.port)), false)
    expect(wrong.map(({ what, well }) => [what, well])).toEqual([
      ['told', true],
      ['mail', false],
      ['webhook', false],
    ])
    expect(wrong[1].words).toMatch(/refuses user name or password: 535/)
    expect(wrong[2].words).toMatch(/cannot be reached: ECONNREFUSED/)
    const missing = join(folder, 'no-such-file')
    const [, unread] = await tryDelivery(settingsOf(both(mail.port, gone.port, missing)), false)
    expect(unread).toMatchObject({ well: false, words: expect.stringContaining(`${missing} (ENOENT)`) })
    expect(JSON.stringify([wrong, unread])).not.toMatch(planted)
  })

  it('asks a modem that is not there, and says so', async () => {
    const sms = `
  recipients: [{ alias: warden, ways: [{ way: sms, to: '+15550100123' }] }]
  sms: { port: ${join(folder, 'no-modem')} }
`
    const [, modem] = await tryDelivery(settingsOf(sms), false)
    expect(modem).toMatchObject({
      what: 'modem',
      well: false,
      words: expect.stringContaining('port-missing'),
    })
    expect(JSON.stringify(modem)).not.toMatch(planted)
  })
})

describe('what the station is given', () => {
  it('is who is told, by what, when, and in whose words', () => {
    const options = deliveryOptions(settingsOf(both(25, 80)), 60)
    expect(options).toMatchObject({
      delivery: {
        mostAnHour: 4,
        dailyLineHour: 6,
        recipients: [
          {
            alias: 'warden',
            ways: [{ way: 'email', nextAfterSeconds: 300 }, { way: 'webhook' }],
            dailyLine: [],
          },
          {
            alias: 'deputy',
            quiet: { fromHour: 22, toHour: 7 },
            least: 'high',
            dailyLine: ['email'],
            mayAnswer: false,
          },
        ],
      },
      place: { timeZone: 'Etc/GMT-1', standardOffsetMinutes: 60 },
    })
    expect(options?.delivery.recipients[0].quiet).toBeUndefined()
    expect(Object.keys(options?.templates ?? {})).toEqual(['raised'])
  })

  it('is a way for each, and one that lacks its file says so at each attempt and stops nothing else', async () => {
    const mail = await startMailServer({ login: { user: 'north-user', password: 'pl4nted-password' } })
    stops.push(mail.stop)
    const of = (password: string) => deliveryPorts(settingsOf(both(mail.port, 80, password)), undefined)!.ways
    const message = messageTo('secretname@example.org')
    expect(await of(passwordFile).get('email')!.send(message)).toMatchObject({ ok: true })
    const lacking = of(join(folder, 'no-such-file'))
    expect(await lacking.get('email')!.send(message)).toMatchObject({
      ok: false,
      fault: { code: 'named-file-missing' },
    })
    expect([...lacking.keys()]).toEqual(['email', 'webhook'])
  })

  it('hears SMS where there is a modem, and only there', () => {
    const settings = settingsOf(`
  recipients: [{ alias: warden, ways: [{ way: sms, to: '+15550100123' }] }]
  sms: { port: /dev/no-modem, cost_cents: 9 }
`)
    expect(deliveryPorts(settings, modemPortOf(settings))?.modem).toBeDefined()
    expect(deliveryOptions(settings, 60)?.delivery.smsCostCents).toBe(9)
    expect(deliveryPorts(settingsOf(both(25, 80)), undefined)?.modem).toBeUndefined()
  })
})
