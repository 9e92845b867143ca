/**
 * Planted values at every key of the settings that holds a secret, a number, an address, a user, a person or a place; a station, a
 * broker and a collector that live on them, raise an alert and tell people; and then a search of all that a reader can come by.
 */
import { execFile } from 'node:child_process'
import { readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs'
import { join, relative } from 'node:path'
import { promisify } from 'node:util'
import { brotliDecompressSync } from 'node:zlib'
import { connectAsync, type MqttClient } from 'mqtt'
import { afterAll, beforeAll, expect, it, vi } from 'vitest'
import { readPack } from '../../agent/uplink/uplink.js'
import { program } from '../support/field-rig.js'
import { hiddenCollectorTexts, hiddenTexts, SecretSearch } from '../support/planted.js'
import { hosts, reader, secrets, startSite, textsOf, type Site } from '../support/planted-site.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'

vi.setConfig({ testTimeout: 120_000, hookTimeout: 600_000 })

const search = new SecretSearch({ ...secrets, ...hosts })
/** In what those who run station or collector read on its own machine. */
const searchAtHome = new SecretSearch(secrets)
/** Health says at which broker the last attempt failed; who reads it is there. */
const searchAtBroker = new SecretSearch({ ...secrets, ...hosts, brokerHost: 'not looked for here' })

interface Message {
  readonly topic: string
  readonly payload: Buffer
}

const packMark = 4
/** As it came, and what is packed in it. */
function unpacked({ topic, payload }: Message): (string | Uint8Array)[] {
  if (!topic.endsWith('/lines')) return [topic, payload]
  const pack = readPack(payload)
  if (!pack.ok) throw new Error(`${topic}: a pack that cannot be read`)
  const plain = attempt(() => brotliDecompressSync(payload.subarray(packMark))) ?? payload
  return [topic, payload, plain, ...pack.value.lines.map(({ text }) => text)]
}

function attempt<T>(work: () => T): T | undefined {
  try {
    return work()
  } catch {
    return undefined
  }
}

/** Numbers, addresses and places at keys that want something else. */
const mistyped = (settings: string): string =>
  settings
    .replace('time_zone: UTC', `time_zone: '${secrets.number}'`)
    .replace('latitude_deg: 47', 'latitude_deg: 947')
    .replace(
      'every_min: 1\n',
      `every_min: ${secrets.address}\n  '${secrets.mailUser}': ${secrets.mailPassword}\n`,
    )

/** Every file below a folder, but those at the paths that are named. */
function filesBelow(folder: string, but: readonly string[] = []): string[] {
  return readdirSync(folder, { withFileTypes: true }).flatMap((entry) => {
    const path = join(folder, entry.name)
    if (but.includes(path)) return []
    return entry.isDirectory() ? filesBelow(path, but) : entry.isFile() ? [path] : []
  })
}

describeWith(['socat', 'mosquitto', 'openssl'], 'planted in the settings, nothing is found', () => {
  let site: Site
  let client: MqttClient
  const messages: Message[] = []
  const shown: Record<string, string> = {}

  const motepost = async (...args: string[]): Promise<string> => {
    const all = [program, ...args, '--settings', site.rig.settingsFile]
    const { stdout, stderr } = await promisify(execFile)(process.execPath, all)
    return stdout + stderr
  }
  const failedWith = (error: unknown): never => {
    console.info(site?.rig.log, site?.collectorLog())
    throw error
  }
  let stationLog = ''
  /** What an operator's program says of the answers to commands and to settings that it pushes. */
  const answered: string[] = []
  async function command(...words: string[]): Promise<void> {
    const { rig, broker, operatorKey, readerPassword } = site
    const way = ['--broker', `mqtt://127.0.0.1:${broker.port}`, '--group', 'oakfield', '--key', operatorKey]
    const login = ['--username', reader.username, '--password-file', readerPassword]
    const args = [program, 'stations', ...words, ...way, ...login, '--wait-minutes', '1']
    const run = promisify(execFile)(process.execPath, args, { cwd: rig.folder })
    const { stdout, stderr } = await run.catch(
      (error: unknown) => error as { stdout: string; stderr: string },
    )
    answered.push(stdout + stderr)
  }
  async function commands(): Promise<void> {
    const of = (what: string, ...words: string[]): Promise<void> =>
      command('send', 'north-fence', what, ...words)
    await of('health')
    await of('acknowledge', 'what=dust')
    await of('mute', 'what=dust', 'hours=1')
    await of('mute', 'what=dust', 'hours=0')
    await of('mute', 'what=nothing-of-that-name', 'hours=1')
    await of('richer', 'hours=1')
    await of('clean', 'instrument=nobody')
    await of('resend')
    await of('sitelog', 'kind=observed', 'note=smoke from a field')
    await command('settings', 'north-fence')
    const pushed = [
      'delivery: { most_an_hour: 2, sms: { port: /dev/other, valid_until: 2026-01-01 } }',
      'power: { plan: auto, reserve_percent: 99, modem: { every_min: 5, on_min: 60 } }',
      'uplink: { mode: none, daily_budget_kb: 1, keepalive_s: 5 }',
      'alerts: [{ rule: dust, channel: pm10.z, average: 1-h, above: 5 }]',
      'instruments: []',
      'site: { permission: x }',
    ]
    for (const [i, text] of pushed.entries()) {
      const file = join(rig().folder, `pushed-${i}.yaml`)
      writeFileSync(file, text)
      await command('settings', 'north-fence', file)
    }
  }
  const rig = (): Site['rig'] => site.rig
  const at = async (path: string): Promise<string> => (await fetch(site.doors + path)).text()
  const told = (needle: string): boolean => messages.some(({ topic }) => topic.endsWith(needle))
  const said = (topicEnd: string, words: string): boolean =>
    messages.some(({ topic, payload }) => topic.endsWith(topicEnd) && payload.includes(words))

  beforeAll(() => live().catch(failedWith))
  async function live(): Promise<void> {
    site = await startSite()
    const { rig, modem, mail, posted, broker } = site
    client = await connectAsync(`mqtt://127.0.0.1:${broker.port}`, { protocolVersion: 5, ...reader })
    client.on('message', (topic, payload) => messages.push({ topic, payload }))
    await client.subscribeAsync('#', { qos: 1 })
    site.startCollector()
    rig.feedFrames(300, () => 120)
    rig.start()
    await waitFor('the SMS', () => modem.taken.length > 0, 120)
    await waitFor('the mail', () => mail.mails.length > 0, 60)
    await waitFor('the call', () => posted.includes(`/${secrets.hookToken}`), 60)
    await waitFor('packs and receipts', () => told('/lines') && told('/receipt'), 60)
    await waitFor('a failed command to be told', () => rig.log.includes('power-cycle-failed'), 120)
    await commands()
    await broker.restart()
    await waitFor('the lost link to be told', () => rig.log.includes('link-lost'), 60)
    const before = messages.length
    await waitFor('health after it', () => said('/health', '"failures"') && messages.length > before + 5, 90)
    rig.feedFrames(300, () => 8)
    await waitFor('the end of the alert', () => said('alerts/dust', 'back below'), 120)
    await waitFor('the database to be missed', () => site.collectorLog().includes('sql-unreachable'), 60)
    for (const words of [
      ['status'],
      ['status', '--json'],
      ['alerts'],
      ['alerts', '--json'],
      ['alerts', '--history'],
    ])
      shown[words.join(' ')] = await motepost(...words)
    shown.bundle = await motepost('status', '--bundle', join(rig.folder, 'running.json'))
    // What was typed wrong is told to who typed it, in the log; it does not travel.
    stationLog = rig.log
    const well = readFileSync(rig.settingsFile, 'utf8')
    writeFileSync(rig.settingsFile, mistyped(well))
    await waitFor('wrong settings to be told', () => said('/health', 'settings-invalid'), 60)
    await waitFor('that to be at the doors', async () => (await at('/stations')).includes('settings'), 60)
    expect(rig.log).toContain(secrets.number)
    shown.bundle += await motepost('status', '--bundle', join(rig.folder, 'broken.json'))
    writeFileSync(rig.settingsFile, well)
    await rig.stop('SIGKILL')
    await waitFor(
      'the collector to tell of the silence',
      () => posted.includes(`/${secrets.collectorToken}`),
      150,
    )
    await waitFor('also by mail', () => mail.mails.some(({ to }) => to.includes(secrets.deskAddress)), 60)
    shown.bundle += await motepost('status', '--bundle', join(rig.folder, 'stopped.json'))
  }
  afterAll(async () => {
    await client?.endAsync(true)
    await site?.end()
    await site?.rig.end(false)
  })

  it('at each key that hides its text something is planted', () => {
    const plantedAt = (file: string): Set<string> =>
      new Set(
        textsOf(readFileSync(file, 'utf8')).flatMap(({ key, text }) =>
          search.in(text).length > 0 ? [key] : [],
        ),
      )
    const station = plantedAt(site.rig.settingsFile)
    expect(Object.keys(hiddenTexts).filter((key) => !station.has(key))).toEqual([])
    const collector = plantedAt(site.collectorFile)
    expect(Object.keys(hiddenCollectorTexts).filter((key) => !collector.has(key))).toEqual([])
    for (const key of ['power.panel.latitude_deg', 'power.panel.longitude_deg'])
      expect(station, key).toContain(key)
  })

  it('in what goes over the broker, unpacked', () => {
    expect(messages.filter(({ topic }) => topic.endsWith('/lines')).length).toBeGreaterThan(3)
    for (const what of ['health', 'alive', 'averages', 'alerts/dust', 'receipt'])
      expect(
        messages.some(({ topic }) => topic.includes(`/${what}`)),
        what,
      ).toBe(true)
    const found = messages.flatMap((message) =>
      unpacked(message).flatMap((part) => searchAtBroker.in(part).map((name) => `${message.topic}: ${name}`)),
    )
    expect([...new Set(found)]).toEqual([])
  })

  it('in the answers to commands, and in what their sender is shown', () => {
    const replies = messages.filter(({ topic }) => topic.endsWith('/reply'))
    expect(replies).toHaveLength(answered.length)
    expect(answered.filter((text) => /cannot be set from afar/.test(text))).toHaveLength(3)
    for (const text of answered) expect(search.in(text), text).toEqual([])
  })

  it('in the log of station and collector', () => {
    expect(stationLog).toContain('"msg":"running"')
    expect(site.collectorLog()).toContain('"msg":"collecting"')
    expect(searchAtHome.in(stationLog)).toEqual([])
    expect(searchAtHome.in(site.collectorLog())).toEqual([])
  })

  it('in what status and alerts say at the station', () => {
    expect(shown['status --json']).toContain('"warden"')
    for (const [words, text] of Object.entries(shown)) expect(searchAtHome.in(text), words).toEqual([])
  })

  it('in the files of station and collector, but for the settings, what they name, and the register', () => {
    const { rig, own, archive } = site
    const lastGood = join(rig.folder, '.station.yaml.last-good')
    const register = join(archive, 'register.yaml')
    for (const file of [lastGood, join(rig.data, '.station-key')])
      expect(statSync(file).mode & 0o777, file).toBe(0o600)
    const files = filesBelow(rig.folder, [own, rig.settingsFile, lastGood, register])
    expect(files.filter((file) => /\/lines-\d/.test(file)).length).toBeGreaterThan(2)
    const found = files.flatMap((file) =>
      search.in(readFileSync(file)).map((name) => `${relative(rig.folder, file)}: ${name}`),
    )
    expect(found).toEqual([])
    // What stands in place of it, at the station and in the archive.
    const lines = files.filter((file) => /\/lines-\d/.test(file)).map((file) => readFileSync(file, 'utf8'))
    expect(lines.filter((text) => text.includes('power.panel.latitude_deg=47.28;'))).toHaveLength(2)
  })

  it('in a bundle, whether the agent runs or not, and whatever is wrong with the settings', () => {
    const { rig } = site
    for (const name of ['running', 'stopped', 'broken']) {
      const text = readFileSync(join(rig.folder, `${name}.json`), 'utf8')
      expect(text).toContain('"latitude_deg": 47.28')
      expect(search.in(text), name).toEqual([])
    }
    const running = JSON.parse(readFileSync(join(rig.folder, 'running.json'), 'utf8')) as {
      agent: { runs: boolean }
    }
    expect(running.agent.runs).toBe(true)
  })

  it('at the doors of the collector', async () => {
    const paths = [
      ...['/stations', '/stations/north-fence', '/metrics', '/openapi.json', '/nothing', '/stations/nobody'],
      ...[
        'averages',
        'averages?from=x',
        'records',
        'records?format=senml',
        'records?of=hours',
        'records?of=days',
      ].map((path) => `/stations/north-fence/${path}`),
    ]
    const found: string[] = []
    for (const path of paths) {
      const answer = await fetch(site.doors + path)
      const text = await answer.text()
      expect(text.length, path).toBeGreaterThan(20)
      const heads = [...answer.headers].flat().join(' ')
      found.push(...search.in(`${heads} ${text}`).map((name) => `${path}: ${name}`))
    }
    expect(found).toEqual([])
    const one = await (await fetch(`${site.doors}/stations/north-fence`)).json()
    expect(one).toMatchObject({ registered: { latitude: 47.29, longitude: -101.57 } })
  })

  it('and those who are told were told: the search would have found what they got', () => {
    const { modem, mail, posted } = site
    expect(search.in(JSON.stringify([modem.taken, mail.mails, posted]))).toEqual(
      expect.arrayContaining(['number', 'address', 'deskAddress', 'sender', 'hookToken', 'template']),
    )
  })
})
