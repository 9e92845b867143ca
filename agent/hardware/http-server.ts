/**
 * A small HTTP/1.1 server for those who only read: GET and HEAD, no bodies, everything bounded. What it answers is decided
 * elsewhere; what a client may cost is decided here. A handler that throws is answered with 500 and harms nothing else.
 */
import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http'
import { isIP } from 'node:net'
import type { AddressInfo } from 'node:net'
import type { Readable } from 'node:stream'
import { bad, good, type Outcome } from '../terms/terms.js'

export interface HttpRequest {
  /** Without the query, as it was sent. */
  readonly path: string
  readonly query: URLSearchParams
  readonly host: string | undefined
  readonly authorization: string | undefined
  /** Address of the other end. */
  readonly remote: string
}

export interface HttpAnswer {
  readonly status: number
  readonly type: string
  /** A stream that fails midway ends the connection, so that nobody takes a part for the whole. */
  readonly body: string | Readable
  readonly headers?: Readonly<Record<string, string>>
}

export interface HttpLimits {
  readonly connections: number
  readonly urlCharacters: number
  readonly headerBytes: number
  /** To say what is wanted. */
  readonly requestSeconds: number
  /** Without taking or giving a byte. */
  readonly idleSeconds: number
}

export const usualHttp: HttpLimits = {
  connections: 32,
  urlCharacters: 1000,
  headerBytes: 8192,
  requestSeconds: 10,
  idleSeconds: 90,
}

export interface HttpPlace {
  readonly host: string
  /** 0 takes a free one. */
  readonly port: number
}

export interface HttpServer {
  readonly port: number
  /** Ends all its connections; resolves when the port is free. */
  close(): Promise<void>
}

type Handler = (request: HttpRequest) => Promise<HttpAnswer>

/** Fault: http-unavailable. */
export function listenHttp(
  { host, port }: HttpPlace,
  handle: Handler,
  limits: HttpLimits = usualHttp,
): Promise<Outcome<HttpServer>> {
  const server = createServer(
    {
      maxHeaderSize: limits.headerBytes,
      headersTimeout: limits.requestSeconds * 1000,
      requestTimeout: limits.requestSeconds * 1000,
      keepAliveTimeout: 5000,
      connectionsCheckingInterval: 1000,
    },
    (request, response) => void serve(request, response, handle, limits),
  )
  server.maxConnections = limits.connections
  server.maxRequestsPerSocket = 1000
  server.setTimeout(limits.idleSeconds * 1000)
  return new Promise((resolve) => {
    server.once('error', (error) =>
      resolve(bad('http-unavailable', `${host}:${port} (${(error as NodeJS.ErrnoException).code})`)),
    )
    server.listen(port, host, () => {
      server.on('error', () => undefined)
      resolve(good({ port: (server.address() as AddressInfo).port, close: () => close(server) }))
    })
  })
}

function close(server: Server): Promise<void> {
  return new Promise((resolve) => {
    server.close(() => resolve())
    server.closeAllConnections()
  })
}

async function serve(
  request: IncomingMessage,
  response: ServerResponse,
  handle: Handler,
  limits: HttpLimits,
): Promise<void> {
  response.on('error', () => undefined)
  const answer = refusal(request, limits) ?? (await answered(request, handle))
  const { body, type, status, headers } = answer
  response.writeHead(status, {
    'Content-Type': type,
    'Cache-Control': 'no-store',
    'X-Content-Type-Options': 'nosniff',
    'Content-Security-Policy': "default-src 'none'",
    ...(typeof body === 'string' ? { 'Content-Length': Buffer.byteLength(body) } : {}),
    ...headers,
  })
  const bare = request.method === 'HEAD'
  if (typeof body === 'string') return void response.end(bare ? undefined : body)
  body.on('error', () => response.destroy())
  response.on('close', () => body.destroy())
  if (bare) response.end()
  else body.pipe(response)
}

async function answered(request: IncomingMessage, handle: Handler): Promise<HttpAnswer> {
  const [path, query = ''] = request.url!.split(/\?(.*)/s)
  const { host, authorization } = request.headers
  const remote = request.socket.remoteAddress ?? ''
  try {
    return await handle({ path, query: new URLSearchParams(query), host, authorization, remote })
  } catch {
    return problem(500, 'internal error')
  }
}

/** What is refused whatever stands at the path. */
function refusal(request: IncomingMessage, limits: HttpLimits): HttpAnswer | undefined {
  const { method, url = '', headers } = request
  const hasBody = headers['transfer-encoding'] !== undefined || Number(headers['content-length'] ?? 0) !== 0
  const closing = { Connection: 'close' }
  if (method !== 'GET' && method !== 'HEAD')
    return { ...problem(405, 'only GET and HEAD are answered'), headers: { ...closing, Allow: 'GET, HEAD' } }
  if (hasBody) return { ...problem(413, 'no body is taken'), headers: closing }
  if (url.length > limits.urlCharacters)
    return { ...problem(414, 'the address is too long'), headers: closing }
  return undefined
}

/** A refusal as JSON (RFC 9457). */
export const problem = (status: number, detail: string): HttpAnswer => ({
  status,
  type: 'application/problem+json',
  body: JSON.stringify({ status, detail }) + '\n',
})

/** Nobody but programs and people on this machine. */
export const isLoopback = (address: string): boolean =>
  address === 'localhost' || address === '::1' || (isIP(address) === 4 && address.startsWith('127.'))
