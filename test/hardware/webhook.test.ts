import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { createServer, type IncomingHttpHeaders, type Server, type ServerResponse } from 'node:http'
import { createServer as createSecureServer } from 'node:https'
import type { AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest'
import {
  tryWebhook,
  webhookSignature,
  webhookWay,
  type WebhookOptions,
} from '../../agent/hardware/webhook.js'
import type { Outcome } from '../../agent/terms/terms.js'
import { drip, startRawServer, type RawServer } from '../support/mail-server.js'
import { hasOpenssl, selfSigned, type Certificate } from '../support/mosquitto.js'
import { waitFor } from '../support/wait.js'
import { messageTo, wayContract } from '../support/way-contract.js'

interface Heard {
  readonly method?: string
  readonly url?: string
  readonly headers: IncomingHttpHeaders
  readonly body: string
}

const stops: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0)) await stop()
})

/** A real HTTP server that keeps what it heard. */
async function hook(answer: (response: ServerResponse) => void, certificate?: Certificate) {
  const heard: Heard[] = []
  const serve: Parameters<typeof createServer>[1] = (request, response) => {
    let body = ''
    request.on('data', (chunk: Buffer) => (body += chunk.toString()))
    request.on('end', () => {
      heard.push({ method: request.method, url: request.url, headers: request.headers, body })
      answer(response)
    })
  }
  const server: Server = certificate
    ? createSecureServer(
        { cert: readFileSync(certificate.certFile), key: readFileSync(certificate.keyFile) },
        serve,
      )
    : createServer(serve)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const { port } = server.address() as AddressInfo
  const stop = (): Promise<void> => {
    server.closeAllConnections()
    return new Promise((resolve) => server.close(() => resolve()))
  }
  const connections = (): Promise<number> =>
    new Promise((resolve) => server.getConnections((_, count) => resolve(count)))
  stops.push(stop)
  return { port, heard, connections }
}

const status =
  (code: number, headers: Record<string, string> = {}) =>
  (response: ServerResponse): void =>
    void response.writeHead(code, headers).end('{"detail":"hidden words"}')

const options: WebhookOptions = {
  limitSeconds: 20,
  resolve: () => Promise.resolve([{ address: '127.0.0.1', family: 4 }]),
}
const urlOf = (port: number, scheme = 'http'): string =>
  `${scheme}://localhost:${port}/hook/secret-path?token=t0k3n`
const send = (port: number, more: Partial<WebhookOptions> = {}, scheme = 'http') =>
  webhookWay({ ...options, ...more }).send(messageTo(urlOf(port, scheme)))
const codeOf = (outcome: Outcome<unknown>) => (outcome.ok ? 'taken' : outcome.fault.code)

describe('a message to a webhook', () => {
  it('is one POST of JSON to the URL as it stands, with the key by which doubles are known', async () => {
    const { port, heard } = await hook(status(200))
    expect(await send(port)).toEqual({ ok: true, value: { parts: 1, words: 'status 200' } })
    await send(port)
    expect(heard).toHaveLength(2)
    expect(heard[0]).toMatchObject({
      method: 'POST',
      url: '/hook/secret-path?token=t0k3n',
      headers: { 'content-type': 'application/json', 'idempotency-key': '"store-1/812/warden"' },
    })
    const { key, subject, text, facts } = messageTo('')
    expect(JSON.parse(heard[0].body)).toEqual({ key, subject, text, facts })
    expect(heard[1].body).toBe(heard[0].body)
    expect(heard[1].headers['idempotency-key']).toBe(heard[0].headers['idempotency-key'])
  })

  it('is signed over time and body where there is a secret, and not without', async () => {
    const { port, heard } = await hook(status(204))
    await send(port, { secret: 'shared secret', now: () => Date.UTC(2026, 10, 1, 12) })
    await send(port)
    const { headers, body } = heard[0]
    expect(headers['motepost-time']).toBe('2026-11-01T12:00:00.000Z')
    expect(headers['motepost-signature']).toBe(
      webhookSignature('shared secret', '2026-11-01T12:00:00.000Z', body),
    )
    expect(heard[1].headers['motepost-signature']).toBeUndefined()
  })

  // The key of RFC 4231, test case 2, and its data with a full stop in it, as
  // `printf 'what do ya want.for nothing?' | openssl dgst -sha256 -hmac Jefe` has it (OpenSSL 3).
  it('has the signature that openssl computes', () => {
    expect(webhookSignature('Jefe', 'what do ya want', 'for nothing?')).toBe(
      'e33f91577b90d4b3bbd73cb61803074f1965d27701b5527942dd9ea9443af37c',
    )
  })
})

describe('an answer of a webhook', () => {
  it.each([
    [200, 'taken'],
    [202, 'taken'],
    [500, 'webhook-failed'],
    [503, 'webhook-failed'],
    [429, 'webhook-failed'],
    [408, 'webhook-failed'],
    [400, 'webhook-refused'],
    [401, 'webhook-refused'],
    [404, 'webhook-refused'],
    [410, 'webhook-refused'],
  ])('of status %i is %s', async (code, meant) => {
    const { port } = await hook(status(code))
    const answer = await send(port)
    expect(codeOf(answer)).toBe(meant)
    expect(JSON.stringify(answer)).toContain(`status ${code}`)
    expect(JSON.stringify(answer)).not.toMatch(/localhost|secret-path|t0k3n|hidden/)
  })

  it.each([301, 302, 307, 308])(
    'that redirects (%i) is a refusal, and nothing is sent there',
    async (code) => {
      const other = await hook(status(200))
      const { port } = await hook(status(code, { location: urlOf(other.port) }))
      const answer = await send(port)
      expect(codeOf(answer)).toBe('webhook-refused')
      expect(JSON.stringify(answer)).not.toContain('localhost')
      expect(other.heard).toHaveLength(0)
    },
  )

  it('counts by its status, however large its body or slow: the rest is let go', async () => {
    const huge = await hook((response) => {
      response.writeHead(200)
      const more = (): void => {
        while (!response.destroyed && response.write(Buffer.alloc(65_536)));
        if (!response.destroyed) response.once('drain', more)
      }
      more()
    })
    expect(codeOf(await send(huge.port))).toBe('taken')
    await waitFor('the huge answer to be broken off', async () => (await huge.connections()) === 0)
    const slow = await hook((response) => {
      response.writeHead(200)
      const timer = setInterval(() => response.write('x'), 20)
      response.on('close', () => clearInterval(timer))
    })
    expect(codeOf(await send(slow.port, { limitSeconds: 0.5 }))).toBe('taken')
    await waitFor('the slow answer to be broken off', async () => (await slow.connections()) === 0)
  })
})

describe('a webhook that never answers', () => {
  const limitSeconds = 0.3
  async function raw(...how: Parameters<typeof startRawServer>): Promise<RawServer> {
    const made = await startRawServer(...how)
    stops.push(made.stop)
    return made
  }

  it.each([
    ['accepts and stays silent', () => undefined],
    ['sends one byte after the other', drip('HTTP/1.1 200 OK\r\nX-A: bbbbbbbbbbbbbbbbbb', 20)],
  ])('is left after the limit: %s', async (_, how) => {
    const sink = await raw(how)
    expect(codeOf(await send(sink.port, { limitSeconds }))).toBe('webhook-silent')
    await waitFor('the connection to be let go', () => sink.open() === 0)
  })

  it('is left after the limit where no name service answers', async () => {
    expect(codeOf(await send(1, { limitSeconds, resolve: () => new Promise<never>(() => undefined) }))).toBe(
      'webhook-silent',
    )
  })

  it('is told by the code of the failure alone where it is not there or cuts the line', async () => {
    const gone = await startRawServer(() => undefined)
    await gone.stop()
    expect(await send(gone.port)).toMatchObject({
      fault: { code: 'webhook-unreachable', detail: 'ECONNREFUSED' },
    })
    const resolve = () => Promise.reject(Object.assign(new Error('no localhost'), { code: 'ENOTFOUND' }))
    expect(await send(1, { resolve })).toMatchObject({
      fault: { code: 'webhook-unreachable', detail: 'ENOTFOUND' },
    })
    const cut = await raw((socket) => socket.end('no http\r\n\r\n'))
    expect(await send(cut.port)).toMatchObject({
      fault: { code: 'webhook-unreachable', detail: expect.not.stringContaining('localhost') },
    })
  })
})

describe.skipIf(!hasOpenssl)('a webhook over https (skipped without openssl)', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-webhook-'))
  afterAll(() => rmSync(folder, { recursive: true, force: true }))
  let certificate: Certificate
  beforeAll(() => void (certificate = selfSigned(folder, 'localhost')))

  it('is sent to where the CA vouches for, and nowhere else', async () => {
    const { port, heard } = await hook(status(200), certificate)
    const ca = readFileSync(certificate.certFile, 'utf8')
    expect(codeOf(await send(port, { ca }, 'https'))).toBe('taken')
    const refused = await send(port, {}, 'https')
    expect(codeOf(refused)).toBe('webhook-certificate')
    expect(JSON.stringify(refused)).not.toMatch(/localhost|secret-path/)
    expect(heard).toHaveLength(1)
  })
})

describe('trying a webhook', () => {
  it('opens a connection and sends no byte', async () => {
    let bytes = 0
    const sink = await startRawServer((socket) => void socket.on('data', (chunk) => (bytes += chunk.length)))
    expect(await tryWebhook(urlOf(sink.port), options)).toMatchObject({ ok: true })
    await waitFor('the connection to close', () => sink.taken() === 1 && sink.open() === 0)
    expect(bytes).toBe(0)
    await sink.stop()
    expect(codeOf(await tryWebhook(urlOf(sink.port), options))).toBe('webhook-unreachable')
    const hanging = { ...options, limitSeconds: 0.2, resolve: () => new Promise<never>(() => undefined) }
    expect(codeOf(await tryWebhook(urlOf(1), hanging))).toBe('webhook-silent')
  })
})

describe('by the contract of ways', () => {
  let mood = 'well'
  const heard: string[] = []
  let port: number
  let server: Server
  beforeAll(async () => {
    const codes: Record<string, number> = { well: 200, busy: 503, refusing: 403 }
    server = createServer((request, response) => {
      let body = ''
      request.on('data', (chunk: Buffer) => (body += chunk.toString()))
      request.on('end', () => {
        if (mood === 'silent') return
        if (mood === 'well') heard.push((JSON.parse(body) as { text: string }).text)
        response.writeHead(codes[mood]).end()
      })
    })
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    port = (server.address() as AddressInfo).port
  })
  afterAll(() => {
    server.closeAllConnections()
    server.close()
  })
  wayContract('webhook on a real HTTP server', () => ({
    way: {
      name: 'webhook',
      send: (message) => webhookWay({ ...options, limitSeconds: mood === 'silent' ? 0.3 : 20 }).send(message),
    },
    to: urlOf(port),
    taken: () => heard.length,
    texts: () => heard,
    become: (next) => void (mood = next),
    secrets: ['localhost', 'secret-path', 't0k3n'],
  }))
})
