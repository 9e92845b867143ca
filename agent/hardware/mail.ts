/**
 * Mail by SMTP (RFC 5321): one message, one connection, one limit over the whole of it, from looking the name up to the last
 * answer. The library is loaded when the first mail goes out and not before: it costs 7 MB.
 *
 * The Message-ID is made of the message's key: a second attempt after an answer that was lost can be told from a second
 * message. No text that leaves here names the recipient, the sender, the user or the password.
 */
import { createHash } from 'node:crypto'
import type { LookupFunction, Socket } from 'node:net'
import type SMTPConnection from 'nodemailer/lib/smtp-connection'
import {
  bad,
  done,
  good,
  type Delivered,
  type MessageWay,
  type OutgoingMessage,
  type Outcome,
} from '../terms/terms.js'
import { withLimit } from './limit.js'
import { mailFault } from './mail-faults.js'
import { rememberingLookup, type Resolve } from './name-lookup.js'
import { openTcp } from './way-socket.js'
import { fitWords } from './way-words.js'

export interface MailOptions {
  readonly host: string
  readonly port: number
  /** tls from the first byte; starttls, and nothing is sent where the server does not offer it; or none. */
  readonly security: 'tls' | 'starttls' | 'none'
  readonly username?: string
  readonly password?: string
  /** Address of the sender. */
  readonly from: string
  /** PEM text of what vouches for the server; absent: the system's list. */
  readonly ca?: string
  /** For an attempt as a whole. */
  readonly limitSeconds: number
  /** What looks names up; absent: the system. */
  readonly resolve?: Resolve
}

export const usualMailLimitSeconds = 30

/** A server that does not answer the goodbye is left after so long. */
const farewellMillis = 2000

/** Faults: mail-*. */
export function mailWay(options: MailOptions): MessageWay {
  const lookup = rememberingLookup(options.resolve)
  return {
    name: 'email',
    send: (message) => attempt(options, lookup, (server) => deliver(server, options, message)),
  }
}

/** Connects, encrypts and logs in, and sends nothing. Faults: mail-*. */
export const tryMailServer = (options: MailOptions): Promise<Outcome<void>> =>
  attempt(options, rememberingLookup(options.resolve), () => Promise.resolve(done))

type Work<T> = (server: SMTPConnection) => Promise<Outcome<T>>

async function attempt<T>(options: MailOptions, lookup: LookupFunction, work: Work<T>): Promise<Outcome<T>> {
  let socket: Socket | undefined
  let server: SMTPConnection | undefined
  const through = async (): Promise<Outcome<T>> => {
    const connected = await openTcp(options.host, options.port, lookup, (opened) => (socket = opened))
    server = await greeted(options, connected)
    if (options.username !== undefined) await loggedIn(server, options)
    return work(server)
  }
  const secrets = [options.from, options.username, options.password]
  const tried = through().catch((error: Error) => ({ ok: false, fault: mailFault(error, secrets) }) as const)
  const answer = await withLimit(tried, options.limitSeconds)
  if (answer === 'late' || !server) socket?.destroy()
  if (answer === 'late') {
    server?.close()
    return bad('mail-silent', `no whole answer within ${options.limitSeconds} s`)
  }
  if (server) farewell(server)
  return answer
}

async function greeted(options: MailOptions, connection: Socket): Promise<SMTPConnection> {
  const { default: Connection } = await import('nodemailer/lib/smtp-connection')
  const millis = options.limitSeconds * 1000
  const server = new Connection({
    host: options.host,
    port: options.port,
    connection,
    secure: options.security === 'tls',
    requireTLS: options.security === 'starttls',
    ignoreTLS: options.security === 'none',
    greetingTimeout: millis,
    socketTimeout: millis,
    socketCloseTimeout: farewellMillis,
    maxResponseSize: 16_384,
    tls: { ca: options.ca },
  })
  return new Promise((resolve, reject) => {
    // It stays: an error after the end of the attempt has nobody else who hears it.
    server.on('error', reject)
    server.once('end', () => reject(Object.assign(new Error('closed'), { code: 'ECONNECTION' })))
    server.connect((error) => (error ? reject(error) : resolve(server)))
  })
}

const loggedIn = (server: SMTPConnection, { username, password = '' }: MailOptions): Promise<void> =>
  new Promise((resolve, reject) => {
    server.once('error', reject)
    server.login({ credentials: { user: username, pass: password } }, (error) =>
      error ? reject(error) : resolve(),
    )
  })

async function deliver(
  server: SMTPConnection,
  options: MailOptions,
  message: OutgoingMessage,
): Promise<Outcome<Delivered>> {
  const bytes = await composed(options.from, message)
  const secrets = [options.from, options.username, options.password, message.to, nameOf(message.to)]
  return new Promise((resolve) => {
    const failed = (error: Error): void => resolve({ ok: false, fault: mailFault(error, secrets) })
    server.once('error', failed)
    server.send({ from: options.from, to: message.to, size: bytes.length }, bytes, (error, info) =>
      error ? failed(error) : resolve(good({ parts: 1, words: fitWords(info.response, secrets) })),
    )
  })
}

const nameOf = (address: string): string => address.slice(0, Math.max(0, address.lastIndexOf('@')))

async function composed(from: string, { key, to, subject, text }: OutgoingMessage): Promise<Buffer> {
  const { default: Composer } = await import('nodemailer/lib/mail-composer')
  const id = createHash('sha256').update(key).digest('hex').slice(0, 32)
  const mail = new Composer({
    from,
    to,
    subject,
    text,
    messageId: `<${id}@${from.slice(from.lastIndexOf('@') + 1)}>`,
    // RFC 3834: nobody's holiday notice answers it.
    headers: { 'Auto-Submitted': 'auto-generated' },
    disableFileAccess: true,
    disableUrlAccess: true,
  })
  return mail.compile().build()
}

function farewell(server: SMTPConnection): void {
  server.quit()
  setTimeout(() => server.close(), farewellMillis).unref()
}
