/** Everything that hears of an alert, made real: a modem on a pty, a mail server with TLS and a log-in, a web server. */
import { createServer, type IncomingHttpHeaders, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { writeFileSync } from 'node:fs'
import { startFakeModem, type FakeModem } from './fake-modem.js'
import { startMailServer, type MailServer } from './mail-server.js'
import { selfSigned } from './mosquitto.js'
import { startPtyPair, type PtyPair } from './pty.js'

/** What must not be found anywhere but in the settings and the files that they name. */
export const secrets = {
  number: '+15550100123',
  address: 'warden.hiddenname@example.org',
  sender: 'station.hiddensender@example.org',
  user: 'hidden-mail-user',
  password: 'hidden-mail-password',
  hookPath: 'hidden-hook-path',
  hookSecret: 'hidden-hook-secret',
  pin: '481526',
} as const

export interface Post {
  readonly headers: IncomingHttpHeaders
  readonly body: string
}

export interface Hook {
  readonly port: number
  readonly posts: readonly Post[]
  /** While set, messages are taken and not answered. */
  isHeld: boolean
  stop(): Promise<void>
}

async function startHook(): Promise<Hook> {
  const posts: Post[] = []
  const server = createServer((request, response: ServerResponse) => {
    const chunks: Buffer[] = []
    request.on('data', (chunk: Buffer) => chunks.push(chunk))
    request.on('end', () => {
      posts.push({ headers: request.headers, body: Buffer.concat(chunks).toString() })
      if (!hook.isHeld) response.writeHead(204).end()
    })
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const hook: Hook = {
    port: (server.address() as AddressInfo).port,
    posts,
    isHeld: false,
    stop: () => {
      server.closeAllConnections()
      return new Promise((resolve) => server.close(() => resolve()))
    },
  }
  return hook
}

export interface Receivers {
  readonly modem: FakeModem
  readonly mail: MailServer
  readonly hook: Hook
  /** The block `delivery` of a settings file that tells them all. */
  readonly settings: string
  end(): Promise<void>
}

/** @param folder for the files that the settings name */
export async function startReceivers(folder: string): Promise<Receivers> {
  const pty: PtyPair = await startPtyPair()
  const modem = startFakeModem(pty)
  Object.assign(modem, { sim: 'SIM PIN', pin: secrets.pin })
  const certificate = selfSigned(folder, 'localhost')
  const login = { user: secrets.user, password: secrets.password }
  const mail = await startMailServer({ certificate, secure: true, login })
  const hook = await startHook()
  const file = (name: string, text: string): string => {
    writeFileSync(join(folder, name), `${text}\n`, { mode: 0o600 })
    return join(folder, name)
  }
  const settings = `delivery:
  recipients:
    - alias: warden
      ways: [{ way: sms, to: '${secrets.number}' }]
      quiet_from_h: 0
      quiet_to_h: 0
    - alias: office
      ways: [{ way: email, to: ${secrets.address} }]
      daily_line: []
      quiet_from_h: 0
      quiet_to_h: 0
    - alias: site-program
      ways: [{ way: webhook, to: 'http://127.0.0.1:${hook.port}/${secrets.hookPath}' }]
      quiet_from_h: 0
      quiet_to_h: 0
  sms: { port: '${pty.sensor}', pin_file: ${file('pin', secrets.pin)}, cost_cents: 9 }
  mail:
    server: localhost
    port: ${mail.port}
    username: ${secrets.user}
    password_file: ${file('mail-password', secrets.password)}
    from: ${secrets.sender}
    ca_file: ${certificate.certFile}
  webhook: { secret_file: ${file('hook-secret', secrets.hookSecret)} }
`
  const end = async (): Promise<void> => {
    modem.end()
    await mail.stop()
    await hook.stop()
    await pty.end()
  }
  return { modem, mail, hook, settings, end }
}
