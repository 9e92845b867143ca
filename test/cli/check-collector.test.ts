/** `motepost check` of a collector's settings, before a real broker, mail server, web server and database where one is installed. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connectAsync } from 'mqtt'
import { afterAll, afterEach, describe, expect, it } from 'vitest'
import { parse } from 'yaml'
import { check, type CheckOptions } from '../../agent/cli/check.js'
import type { CheckItem } from '../../agent/cli/check-items.js'
import { collect, type CollectOptions } from '../../agent/cli/collect.js'
import { lockFolder } from '../../agent/hardware/lock.js'
import { readCollectorSettings } from '../../agent/settings/settings.js'
import { startMailServer, startRawServer } from '../support/mail-server.js'
import {
  freePort,
  hasMosquitto,
  hasOpenssl,
  passwordFile,
  selfSigned,
  startMosquitto,
} from '../support/mosquitto.js'
import { hasPostgres, startPostgres } from '../support/postgres.js'
import { ran, value } from './desk-rig.js'
import { answering, archiveFolder, endAll } from './stations-rig.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-check-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))
const stops: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0)) await stop()
  await endAll()
})

const written = (name: string, text: string): string => {
  const path = join(folder, name)
  writeFileSync(path, text)
  return path
}
const password = written('password', 'pl4nted-password\n')
/** What must be seen nowhere. */
const planted = /secretname|hook-path|pl4nted|station-address|desk-user/

interface Parts {
  readonly archive?: string
  readonly broker?: string
  readonly rest?: string
}

const fileOf = ({
  archive = join(folder, 'archive'),
  broker = 'url: mqtt://127.0.0.1:1',
  rest = '',
}: Parts) =>
  written(
    'collector.yaml',
    `version: 1\ncollector: { group: oakfield, archive: '${archive}' }\nbroker: { ${broker} }\n${rest}`,
  )

async function checked(parts: Parts, options: CheckOptions = {}) {
  const { code, out } = await ran(() => check(fileOf(parts), { json: true, ...options }))
  const { items, notes, settings } = JSON.parse(out) as {
    readonly items: readonly CheckItem[]
    readonly notes?: readonly string[]
    readonly settings: readonly string[]
  }
  const of = (what: string) => items.filter((one) => one.what === what)
  return { code, out, notes, settings, of }
}

const told = (mailPort: number, hookPort: number, secret = ''): string => `delivery:
  recipients:
    - alias: warden
      ways:
        - { way: email, to: secretname@example.org }
        - { way: webhook, to: 'http://127.0.0.1:${hookPort}/hook-path' }
  mail: { server: 127.0.0.1, port: ${mailPort}, security: none, username: desk-user, password_file: '${password}', from: station-address@example.org, limit_s: 5 }
  webhook: { limit_s: 5${secret} }
`

describe('check of the settings of a collector', () => {
  it('says what is set, line by line, and where nothing answers, with exit code 1', async () => {
    const archive = archiveFolder()
    const { code, out } = await ran(() => check(fileOf({ archive }), {}))
    expect(code).toBe(1)
    expect(out).toContain(
      'group     well: oakfield: late after 75 min without a word, silent after 180 min\n',
    )
    expect(out).toContain(`archive   well: ${archive} can be written, `)
    expect(out).toContain(`collector well: none runs with the archive ${archive}\n`)
    expect(out).toMatch(/^broker {4}LOOK: .*127\.0\.0\.1:1.*ECONNREFUSED/m)
    expect(out).toContain('told      well: nobody')
  })

  it('greets mail server and webhook, sends nothing, and shows nobody, in words, JSON or the settings in force', async () => {
    const mail = await startMailServer({ login: { user: 'desk-user', password: 'pl4nted-password' } })
    let bytes = 0
    const hook = await startRawServer((socket) => void socket.on('data', (chunk) => (bytes += chunk.length)))
    stops.push(mail.stop, hook.stop)
    const rest = told(mail.port, hook.port)
    const { out, of } = await checked({ rest })
    expect([...of('told'), ...of('mail'), ...of('webhook')]).toEqual([
      { what: 'told', well: true, words: 'warden' },
      { what: 'mail', well: true, words: `127.0.0.1:${mail.port} lets us in` },
      { what: 'webhook', well: true, words: 'that of warden can be reached' },
    ])
    const words = await ran(() => check(fileOf({ rest }), { effective: true }))
    expect([mail.mails.length, bytes]).toEqual([0, 0])
    expect(out + words.out).not.toMatch(planted)
    await mail.stop()
    await hook.stop()
    const gone = await checked({ rest: told(mail.port, hook.port, `, secret_file: ${folder}/no-secret`) })
    expect(gone.code).toBe(1)
    expect(gone.of('mail')[0]).toMatchObject({ well: false })
    expect(gone.of('webhook')[0]).toMatchObject({ well: false, words: expect.stringContaining('no-secret') })
    expect(gone.out).not.toMatch(planted)
  })

  it('prints the settings in force as a file that gives the same settings', async () => {
    const broker = "url: 'mqtts://broker.example.org', username: _collector, password_file: /etc/p"
    const file = fileOf({ broker, rest: 'postgres: { host: 127.0.0.1, port: 1 }\n' })
    const { out } = await ran(() => check(file, { effective: true }))
    const text = out.slice(out.indexOf('\nversion: 1'))
    expect(parse(text)).toMatchObject({ collector: { time_zone: 'UTC', late_after_min: 75 } })
    const [shown, meant] = [
      text,
      `version: 1\ncollector: { group: oakfield, archive: '${folder}/archive' }
broker: { ${broker} }\npostgres: { host: 127.0.0.1, port: 1 }\n`,
    ].map((one) => readCollectorSettings(one, 'a'))
    expect(shown).toMatchObject({ ok: true })
    expect(shown).toEqual(meant)
  })

  it('ends with 2 and names line, key and what is allowed where they cannot be used, and looks at nothing', async () => {
    const bad = await checked({
      broker: 'url: http://x, protocol: 3',
      rest: 'delivery: { recipients: [] }\n',
    })
    expect([bad.code, bad.of('archive')]).toEqual([2, []])
    expect(bad.settings.map((line) => line.replace(/^.*collector\.yaml/, ''))).toEqual([
      expect.stringMatching(/^:3:\d+ broker\.url: .*mqtts:/),
      expect.stringMatching(/^:3:\d+ broker\.protocol: .*allowed: 5, 4/),
      expect.stringMatching(/^:4:\d+ delivery\.recipients: /),
    ])
    for (const text of ['collector:\n', 'collector: 7\nversion: 1\n', 'collector: {group: A B}\n\tx: [\n']) {
      const { code, out } = await ran(() => check(written('bad.yaml', text), {}))
      expect([code, out.split('\n')[0]]).toEqual([2, expect.stringMatching(/bad\.yaml:\d+:\d+/)])
      expect(out).not.toMatch(/^ +at /m)
    }
    const missing = await ran(() => check(join(folder, 'nowhere.yaml'), {}))
    expect([missing.code, missing.out]).toEqual([2, expect.stringContaining('nowhere.yaml')])
  })

  it('are not those of a station, and the other way round: each command says whose they are', async () => {
    const file = fileOf({})
    expect(await ran(() => check(file, { tryWake: true }))).toMatchObject({
      ...{ code: 2, err: expect.stringContaining('--try-wake is for the settings of a station') },
    })
    const station = join(import.meta.dirname, '../../config/minimal.yaml')
    expect(await ran(() => collect({ settings: station } as CollectOptions))).toMatchObject({
      ...{ code: 2, err: expect.stringContaining('no settings of a collector') },
    })
    const { readSettingsFile } = await import('../../agent/cli/read-settings.js')
    expect(readSettingsFile(file)).toMatchObject({
      ...{
        ok: false,
        lines: expect.arrayContaining([expect.stringMatching(/motepost collect --settings /)]),
      },
    })
  })

  it('finds an archive that is no folder, and one that somebody holds who does not answer', async () => {
    const file = written('not-a-folder', '')
    const bad = await checked({ archive: file })
    expect(bad.of('archive')[0]).toMatchObject({ well: false, words: expect.stringContaining(file) })
    const archive = archiveFolder()
    const held = value(await lockFolder(archive))
    stops.push(() => Promise.resolve(held.release()))
    expect((await checked({ archive })).of('collector')[0]).toMatchObject({
      ...{ well: false, words: expect.stringContaining(`a collector holds ${archive}`) },
    })
  })

  it('names the certificate or password that cannot be read', async () => {
    const ca = await checked({ broker: `url: 'mqtts://127.0.0.1:1', ca_file: ${folder}/no-ca.pem` })
    expect(ca.of('broker')[0]).toMatchObject({ well: false, words: expect.stringContaining('no-ca.pem') })
    const none = await checked({
      ...{ broker: `url: 'mqtt://127.0.0.1:1', username: a, password_file: ${folder}/no-password` },
      rest: `postgres: { host: 127.0.0.1, port: 1, password_file: ${folder}/no-sql-password }\n`,
    })
    expect(none.of('broker')[0]).toMatchObject({ well: false, words: expect.stringContaining('no-password') })
    expect(none.of('database')[0].words).toContain('no-sql-password')
    expect(none.notes).toEqual([
      expect.stringMatching(/:3:\d+ broker\.url: the password travels in the clear/),
    ])
  })
})

describe.skipIf(!hasMosquitto)('check before a real broker', () => {
  it('is let in with the right password, over TLS by the right authority, and says why where it is not', async () => {
    const users = passwordFile(folder, '_collector', 'pl4nted-password')
    const plain = await startMosquitto({ passwordFile: users })
    stops.push(plain.remove)
    const login = (file: string): string =>
      `url: 'mqtt://127.0.0.1:${plain.port}', username: _collector, password_file: '${file}'`
    const well = await checked({ broker: login(password) })
    expect([well.code, well.of('broker')]).toEqual([
      0,
      [{ what: 'broker', well: true, words: `mqtt://127.0.0.1:${plain.port} lets us in` }],
    ])
    const wrong = await checked({ broker: login(written('wrong', 'another-one')) })
    expect([wrong.code, wrong.of('broker')[0].well]).toEqual([1, false])
    expect(wrong.out).not.toContain('another-one')
  })

  it.skipIf(!hasOpenssl)('is let in over TLS by the right authority only', async () => {
    const [right, other] = ['localhost', 'elsewhere'].map((name) => selfSigned(folder, name))
    const broker = await startMosquitto({ tls: right })
    stops.push(broker.remove)
    const by = (caFile: string): string => `url: 'mqtts://localhost:${broker.port}', ca_file: '${caFile}'`
    expect((await checked({ broker: by(right.certFile) })).of('broker')[0].well).toBe(true)
    expect((await checked({ broker: by(other.certFile) })).of('broker')[0]).toMatchObject({
      ...{ well: false, words: expect.stringMatching(/certificate/) },
    })
  })

  it('puts no running collector out where the broker takes the name of the user for that of the client', async () => {
    const users = passwordFile(folder, '_collector', 'pl4nted-password')
    const broker = await startMosquitto({ passwordFile: users, config: ['use_username_as_clientid true'] })
    stops.push(broker.remove)
    const running = await connectAsync(`mqtt://127.0.0.1:${broker.port}`, {
      ...{ protocolVersion: 5, reconnectPeriod: 0, username: '_collector', password: 'pl4nted-password' },
    })
    stops.push(() => running.endAsync(true))
    let closed = false
    running.once('close', () => (closed = true))
    const archive = await answering({ link: 'connected', stations: [] })
    const login = `url: 'mqtt://127.0.0.1:${broker.port}', username: _collector, password_file: '${password}'`
    const { of } = await checked({ archive, broker: login })
    expect(of('broker')[0]).toMatchObject({ well: true, words: expect.stringContaining('is connected') })
    expect(of('collector')[0]).toMatchObject({ well: true, words: `runs with the archive ${archive}` })
    // A broker answers in order: had it been put out, this would not come back.
    await running.publishAsync('motepost/1/oakfield/gate/receipt', 'x', { qos: 1 })
    expect(closed).toBe(false)
    const waiting = await answering({ link: 'waiting', stations: [] })
    expect((await checked({ archive: waiting, broker: login })).of('broker')[0].well).toBe(false)
  })
})

describe.skipIf(!hasPostgres)('check before a real database', () => {
  it('is let in, or says that it is not', async () => {
    const database = await startPostgres({ password: 'pl4nted-password' })
    stops.push(database.remove)
    const at = (port: number, file: string): string =>
      `postgres: { host: 127.0.0.1, port: ${port}, password_file: '${file}' }\n`
    expect((await checked({ rest: at(database.port, password) })).of('database')[0]).toEqual({
      ...{ what: 'database', well: true, words: `motepost at 127.0.0.1:${database.port} lets us in` },
    })
    const refused = await checked({ rest: at(database.port, written('wrong', 'another-one')) })
    expect(refused.of('database')[0].well).toBe(false)
    const gone = await checked({ rest: at(await freePort(), password) })
    expect([refused.code, gone.code, gone.of('database')[0].well]).toEqual([1, 1, false])
  })
})
