/** Mail servers for tests: a real SMTP library that refuses what it is told to, and lines that never become one. */
import { readFileSync } from 'node:fs'
import { createServer, type AddressInfo, type Server, type Socket } from 'node:net'
import { SMTPServer, type SMTPServerOptions } from 'smtp-server'
import type { Certificate } from './mosquitto.js'

export interface Mail {
  readonly from: string
  readonly to: readonly string[]
  readonly user?: string
  /** As it came: header, blank line, body. */
  readonly text: string
}

export interface MailServer {
  readonly port: number
  readonly mails: readonly Mail[]
  stop(): Promise<void>
}

export interface MailServerOptions {
  /** 127.0.0.1 where none is named. */
  readonly host?: string
  readonly certificate?: Certificate
  /** TLS from the first byte; else STARTTLS is offered where there is a certificate. */
  readonly secure?: boolean
  readonly login?: { readonly user: string; readonly password: string }
  /** What is answered to a recipient; nothing: taken. */
  readonly refuses?: (recipient: string) => { readonly code: number; readonly words: string } | undefined
  /** What is answered at the end of the message. */
  readonly refusesMail?: { readonly code: number; readonly words: string }
}

const failure = ({ code, words }: { code: number; words: string }): Error =>
  Object.assign(new Error(words), { responseCode: code })

export async function startMailServer(options: MailServerOptions = {}): Promise<MailServer> {
  const mails: Mail[] = []
  const { certificate, login, secure = false, refuses } = options
  const server = new SMTPServer({
    secure,
    ...(certificate
      ? { cert: readFileSync(certificate.certFile), key: readFileSync(certificate.keyFile) }
      : { hideSTARTTLS: true }),
    authOptional: login === undefined,
    allowInsecureAuth: true,
    disableReverseLookup: true,
    logger: false,
    closeTimeout: 100,
    onAuth: ({ username, password }, _, answer) =>
      username === login?.user && password === login?.password
        ? answer(null, { user: username })
        : answer(failure({ code: 535, words: `5.7.8 no such user ${username} with this password` })),
    onRcptTo: ({ address }, _, answer) => {
      const refusal = refuses?.(address)
      if (refusal) answer(failure(refusal))
      else answer()
    },
    onData: (stream, session, answer) => {
      const chunks: Buffer[] = []
      stream.on('data', (chunk: Buffer) => chunks.push(chunk))
      stream.on('end', () => {
        if (options.refusesMail) return answer(failure(options.refusesMail))
        const { mailFrom, rcptTo } = session.envelope
        mails.push({
          from: mailFrom ? mailFrom.address : '',
          to: rcptTo.map(({ address }) => address),
          user: session.user,
          text: Buffer.concat(chunks).toString(),
        })
        answer()
      })
    },
  } satisfies SMTPServerOptions)
  server.on('error', () => undefined)
  await new Promise<void>((resolve) => server.listen(0, options.host ?? '127.0.0.1', resolve))
  const { port } = server.server.address() as AddressInfo
  return { port, mails, stop: () => new Promise((resolve) => server.close(() => resolve())) }
}

export interface RawServer {
  readonly port: number
  /** Connections that are open now. */
  open(): number
  /** Connections there ever were. */
  taken(): number
  stop(): Promise<void>
}

/** A server that does with each connection what it is told: nothing, or a byte now and then. */
export async function startRawServer(serve: (socket: Socket) => void): Promise<RawServer> {
  const sockets = new Set<Socket>()
  let taken = 0
  const server: Server = createServer((socket) => {
    taken++
    sockets.add(socket)
    socket.on('error', () => undefined)
    socket.on('close', () => sockets.delete(socket))
    serve(socket)
    // Unread bytes would hide that the other side has gone.
    socket.resume()
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return {
    port: (server.address() as AddressInfo).port,
    open: () => sockets.size,
    taken: () => taken,
    stop: () =>
      new Promise((resolve) => {
        for (const socket of sockets) socket.destroy()
        server.close(() => resolve())
      }),
  }
}

/** Sends a text one byte at a time, for ever. */
export const drip =
  (text: string, everyMillis: number) =>
  (socket: Socket): void => {
    let at = 0
    const timer = setInterval(() => socket.write(text[at++ % text.length]), everyMillis)
    socket.on('close', () => clearInterval(timer))
  }
