/**
 * A station, a broker, a collector with its doors, and all that hears of an alert, with a planted value at every key that holds a
 * secret, a number, an address, a user, a person or a place. Hosts are loopback addresses that nothing else has.
 */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { mkdirSync, writeFileSync } from 'node:fs'
import { createServer, type IncomingMessage, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { parse, stringify } from 'yaml'
import { addOperator } from '../../agent/cli/keys.js'
import { startFakeModem, type FakeModem } from './fake-modem.js'
import { FieldRig, program } from './field-rig.js'
import { startMailServer, type MailServer } from './mail-server.js'
import { newKey } from './keys.js'
import { freePort, selfSigned, startMosquitto, type Mosquitto } from './mosquitto.js'
import { startPtyPair } from './pty.js'

/** Where a reader may meet them: nowhere but in the settings, the files that those name, and the register. */
export const secrets = {
  brokerUser: 'zq-broker-user',
  brokerPassword: 'zq-broker-password',
  clientId: 'zq-client-id',
  collectorUser: 'zq-collector-user',
  collectorPassword: 'zq-collector-password',
  number: '+15550149273',
  address: 'zq.warden@zqmail.example.org',
  deskAddress: 'zq.desk@zqmail.example.org',
  sender: 'zq.station@zqmail.example.org',
  collectorSender: 'zq.collector@zqmail.example.org',
  mailUser: 'zq-mail-user',
  mailPassword: 'zq-mail-password',
  hookToken: 'zq-hook-token',
  hookSecret: 'zq-hook-secret',
  collectorToken: 'zq-collector-token',
  pin: '73915482',
  secretFolder: 'zq-secret-folder',
  commandWord: 'zq-command-word',
  ladderWord: 'zq-ladder-word',
  boardWord: 'zq-board-word',
  permission: 'Zq Permitter',
  photo: 'zq-photo.jpg',
  template: 'zq template',
  latitude: '47.2837',
  longitude: '101.5836',
  databaseUser: 'zq-database-user',
  databasePassword: 'zq-database-password',
  registerNote: 'zq register note',
  registerPhoto: 'zq-register.jpg',
  registerLatitude: '47.2912',
  registerLongitude: '101.5741',
} as const

/** Where something is reached: who runs station or collector needs that in its own log and status; nobody else has it. */
export const hosts = {
  brokerHost: '127.83.91.17',
  mailHost: '127.83.91.19',
  hookHost: '127.83.91.21',
  databaseHost: '127.83.91.23',
  database: 'zq-database-name',
} as const

export interface Site {
  readonly rig: FieldRig
  readonly modem: FakeModem
  readonly mail: MailServer
  /** Paths that were posted to. */
  readonly posted: readonly string[]
  readonly broker: Mosquitto
  readonly brokerPort: number
  readonly archive: string
  /** The folder with everything that the settings name, and the settings themselves: planted values stand there. */
  readonly own: string
  readonly collectorFile: string
  readonly doors: string
  readonly collectorLog: () => string
  /** Files of one who may command the station, and may come to the broker as the reader. */
  readonly operatorKey: string
  readonly readerPassword: string
  startCollector(): void
  end(): Promise<void>
}

export async function startSite(): Promise<Site> {
  const rig = await FieldRig.make()
  const own = join(rig.folder, secrets.secretFolder)
  mkdirSync(own)
  const file = (name: string, text: string): string => {
    writeFileSync(join(own, name), `${text}\n`, { mode: 0o600 })
    return join(own, name)
  }
  const tls = selfSigned(own, hosts.brokerHost)
  const brokerPort = await freePort()
  const broker = await startMosquitto({
    passwordFile: passwords(own),
    config: [
      `listener ${brokerPort} ${hosts.brokerHost}`,
      `certfile ${tls.certFile}`,
      `keyfile ${tls.keyFile}`,
    ],
  })
  const modemPty = await startPtyPair()
  const modem = startFakeModem(modemPty)
  Object.assign(modem, { sim: 'SIM PIN', pin: secrets.pin })
  const certificate = selfSigned(own, hosts.mailHost)
  const login = { user: secrets.mailUser, password: secrets.mailPassword }
  const mail = await startMailServer({ host: hosts.mailHost, certificate, secure: true, login })
  const posted: string[] = []
  const hook = await startHook((path) => posted.push(path))

  const mailBlock = (from: string) => ({
    ...{ server: hosts.mailHost, port: mail.port, username: secrets.mailUser, from },
    ...{ password_file: file('mail-password', secrets.mailPassword), ca_file: certificate.certFile },
  })
  const brokerBlock = (user: string, password: string) => ({
    ...{ url: `mqtts://${hosts.brokerHost}:${brokerPort}`, username: user },
    ...{ password_file: file(user, password), ca_file: tls.certFile },
  })
  const webhookOf = (token: string): string =>
    `http://${hosts.hookHost}:${(hook.address() as AddressInfo).port}/${token}`
  const always = { quiet_from_h: 0, quiet_to_h: 0, daily_line: [] }
  const template = (fields: string): string => `${secrets.template} ${fields} {code}`

  const delivery = {
    recipients: [
      { alias: 'warden', ways: [{ way: 'sms', to: secrets.number }], ...always },
      { alias: 'office', ways: [{ way: 'email', to: secrets.address }], ...always },
      { alias: 'site-program', ways: [{ way: 'webhook', to: webhookOf(secrets.hookToken) }], ...always },
    ],
    sms: { port: modemPty.sensor, pin_file: file('pin', secrets.pin) },
    mail: mailBlock(secrets.sender),
    webhook: { secret_file: file('hook-secret', secrets.hookSecret), ca_file: certificate.certFile },
    templates: {
      ...{ raised: template('{station} {what} {value} {unit} {limit}'), back: template('{what}') },
      ...{
        trouble: template('{what} {detail}'),
        over: template('{what}'),
        daily: `${secrets.template} {battery}`,
      },
    },
  }
  // ls repeats in its complaint what it was given.
  const failing = ['/bin/ls', secrets.commandWord]
  const onOff = { on: failing, off: failing }
  const station = {
    version: 1,
    station: { name: 'north-fence', group: 'oakfield', time_zone: 'UTC' },
    instruments: [
      {
        ...{ layout: 'frames-424d-32', port: rig.pty.sensor, warm_up_s: 0, slot: 'a' },
        ...{ power_cycle: { command: failing }, power_switch: onOff },
      },
      {
        ...{ layout: 'frames-424d-32', port: '/dev/motepost-no-such-port', slot: 'b', outdoors: false },
        power_cycle: { command: failing, after_s: 60 },
      },
    ],
    power: {
      battery: { chemistry: 'lifepo4', capacity_ah: 50, nominal_v: 12.8 },
      panel: { peak_w: 60, latitude_deg: 47.283719, longitude_deg: -101.583627, tilt_deg: 40 },
      modem: { switch: { on: ['/bin/true', secrets.commandWord], off: failing }, every_min: 60, on_min: 60 },
      board_off: { command: ['/bin/ls', secrets.boardWord], wake_switch: ['/bin/ls', secrets.boardWord] },
    },
    data: { folder: rig.data, record_s: 1, flush_every_s: 1 },
    clock: { trust: 'system' },
    alerts: [
      {
        ...{ rule: 'dust', channel: 'pm2_5.a', average: '1-min', above: 50, off_delay_min: 0 },
        ...{ min_data_capture_percent: 1, priority: 'high' },
      },
    ],
    delivery,
    uplink: {
      ...{ mode: 'mqtt', client_id: secrets.clientId, pack_every_min: 0.05 },
      ...brokerBlock(secrets.brokerUser, secrets.brokerPassword),
      ...{ cert_file: tls.certFile, key_file: tls.keyFile },
      ladder: [{ step: 'interface', command: ['/bin/ls', secrets.ladderWord] }],
    },
    site: { inlet_height_m: 2.5, permission: secrets.permission, photos: [secrets.photo] },
    health: { every_min: 1 },
  }
  writeFileSync(rig.settingsFile, stringify(station, { aliasDuplicateObjects: false }))

  const archive = join(rig.folder, 'archive')
  const collector = {
    version: 1,
    collector: { group: 'oakfield', archive, late_after_min: 1, silent_after_min: 1.1 },
    broker: brokerBlock(secrets.collectorUser, secrets.collectorPassword),
    delivery: {
      recipients: [
        { alias: 'desk', ways: [{ way: 'email', to: secrets.deskAddress }], ...always },
        { alias: 'caller', ways: [{ way: 'webhook', to: webhookOf(secrets.collectorToken) }], ...always },
      ],
      mail: mailBlock(secrets.collectorSender),
      webhook: { secret_file: file('hook-secret', secrets.hookSecret) },
    },
    postgres: {
      ...{ host: hosts.databaseHost, port: 54_329, database: hosts.database, user: secrets.databaseUser },
      ...{ password_file: file('database-password', secrets.databasePassword), tls: false },
      ca_file: certificate.certFile,
    },
  }
  const collectorFile = join(own, 'collector.yaml')
  writeFileSync(collectorFile, stringify(collector, { aliasDuplicateObjects: false }))
  mkdirSync(archive)
  writeFileSync(
    join(archive, 'register.yaml'),
    stringify({
      stations: [
        {
          ...{ station: 'north-fence', latitude: 47.291234, longitude: -101.574123, name: 'North' },
          ...{ notes: [secrets.registerNote], photos: [secrets.registerPhoto] },
        },
      ],
    }),
  )

  const key = newKey()
  const added = addOperator(rig.settingsFile, 'anna', file('operator.pem', key.publicPem), {
    role: 'operator',
  })
  if ((await added) !== 0) throw new Error('the operator was not added')
  const doorsPort = await freePort()
  let running: ChildProcess | undefined
  let log = ''
  return {
    ...{ rig, modem, mail, posted, broker, brokerPort, archive, own, collectorFile },
    doors: `http://127.0.0.1:${doorsPort}`,
    collectorLog: () => log,
    operatorKey: file('operator.key', key.privatePem),
    readerPassword: file('reader-password', reader.password),
    startCollector: () => {
      running = spawn(process.execPath, [
        ...[program, 'collect', '-s', collectorFile],
        ...['--http', `127.0.0.1:${doorsPort}`],
      ])
      for (const stream of [running.stdout, running.stderr])
        stream?.on('data', (bytes: Buffer) => (log += bytes.toString()))
    },
    end: async () => {
      if (running?.exitCode === null) {
        const exit = new Promise((resolve) => running!.once('exit', resolve))
        running.kill('SIGKILL')
        await exit
      }
      modem.end()
      await mail.stop()
      hook.closeAllConnections()
      await new Promise((resolve) => hook.close(resolve))
      await modemPty.end()
      await broker.remove()
    },
  }
}

/** The three who may come to the broker; the third is a reader of the group. */
export const reader = { username: 'reader', password: 'open word' }

function passwords(folder: string): string {
  const path = join(folder, 'passwords')
  writeFileSync(path, '', { mode: 0o600 })
  const users = [
    [secrets.brokerUser, secrets.brokerPassword],
    [secrets.collectorUser, secrets.collectorPassword],
    [reader.username, reader.password],
  ]
  for (const user of users) {
    const made = spawnSync('mosquitto_passwd', ['-b', path, ...user])
    if (made.status !== 0) throw new Error(`mosquitto_passwd: ${made.stderr?.toString()}`)
  }
  return path
}

async function startHook(onPost: (path: string) => void): Promise<Server> {
  const server = createServer((request: IncomingMessage, response) => {
    request.resume()
    request.on('end', () => {
      onPost(request.url ?? '')
      response.writeHead(204).end()
    })
  })
  await new Promise<void>((resolve) => server.listen(0, hosts.hookHost, resolve))
  return server
}

/** Every text of a settings file with its key, 'alerts[].channel'. */
export function textsOf(yaml: string): { readonly key: string; readonly text: string }[] {
  const found: { key: string; text: string }[] = []
  const look = (value: unknown, key: string): void => {
    if (Array.isArray(value)) for (const one of value) look(one, `${key}[]`)
    else if (typeof value === 'object' && value !== null)
      for (const [name, one] of Object.entries(value)) look(one, key ? `${key}.${name}` : name)
    else found.push({ key, text: String(value) })
  }
  look(parse(yaml), '')
  return found
}
