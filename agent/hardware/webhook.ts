/**
 * Messages to a program: POST of JSON over https (http only where the settings allow it: the board itself). One message, one
 * connection, one limit over the whole of it; the status line decides, and of the answer's body nothing is used. A redirect
 * is a refusal: the message would go where nobody has named.
 *
 * `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header) is the same for each attempt. With a secret,
 * `Motepost-Signature` is HMAC-SHA-256 (RFC 2104) in hex over the text of `Motepost-Time`, a full stop and the body.
 * No text that leaves here names the URL.
 */
import { createHmac } from 'node:crypto'
import type { ClientRequest, IncomingMessage } from 'node:http'
import type { LookupFunction } from 'node:net'
import {
  bad,
  good,
  type Delivered,
  type Fault,
  type MessageWay,
  type OutgoingMessage,
  type Outcome,
} from '../terms/terms.js'
import { withLimit } from './limit.js'
import { rememberingLookup, type Resolve } from './name-lookup.js'
import { openTcp, perAddressMillis } from './way-socket.js'
import { tlsWords, type SocketError } from './way-words.js'

export interface WebhookOptions {
  /** Signs each message; absent: none is signed. */
  readonly secret?: string
  /** PEM text of what vouches for the server; absent: the system's list. */
  readonly ca?: string
  /** For an attempt as a whole. */
  readonly limitSeconds: number
  /** What looks names up; absent: the system. */
  readonly resolve?: Resolve
  /** UTC, ms, as the board's clock has it. */
  readonly now?: () => number
}

export const usualWebhookLimitSeconds = 30

/** Of an answer's body so much is taken off the line; after that the connection is broken off. */
const mostBodyBytes = 16_384

/** Faults: webhook-*. */
export function webhookWay(options: WebhookOptions): MessageWay {
  // One for each host, and as many hosts as recipients.
  const lookups = new Map<string, LookupFunction>()
  const lookupOf = (host: string): LookupFunction => {
    const known = lookups.get(host) ?? rememberingLookup(options.resolve)
    lookups.set(host, known)
    return known
  }
  return { name: 'webhook', send: (message) => post(options, lookupOf, message) }
}

/** What is sent: the same bytes at each attempt. */
export const webhookBody = ({ key, subject, text, facts }: OutgoingMessage): string =>
  JSON.stringify({ key, subject, text, facts })

/** Hex of HMAC-SHA-256 over time, full stop and body. */
export const webhookSignature = (secret: string, time: string, body: string): string =>
  createHmac('sha256', secret).update(`${time}.${body}`).digest('hex')

type LookupOf = (host: string) => LookupFunction

async function post(
  options: WebhookOptions,
  lookupOf: LookupOf,
  message: OutgoingMessage,
): Promise<Outcome<Delivered>> {
  let request: ClientRequest | undefined
  const answered = answerTo(options, lookupOf, message, (made) => (request = made)).then(judged, failed)
  const answer = await withLimit(answered, options.limitSeconds)
  if (answer !== 'late') return answer
  request?.destroy()
  return bad('webhook-silent', `no answer within ${options.limitSeconds} s`)
}

async function answerTo(
  options: WebhookOptions,
  lookupOf: LookupOf,
  message: OutgoingMessage,
  made: (request: ClientRequest) => void,
): Promise<IncomingMessage> {
  const at = new URL(message.to)
  // Loaded when the first message goes out and not before.
  const { request: open } = await (at.protocol === 'https:' ? import('node:https') : import('node:http'))
  const body = webhookBody(message)
  return new Promise((resolve, reject) => {
    const how = {
      method: 'POST',
      agent: false,
      headers: headersOf(options, message.key, body),
      lookup: lookupOf(at.hostname),
      autoSelectFamilyAttemptTimeout: perAddressMillis,
      ca: options.ca,
    } as const
    const request = open(at, how)
    made(request)
    // It stays: an error after the end of the attempt has nobody else who hears it.
    request.on('error', reject)
    request.once('response', (response) => {
      letRunOut(response, options.limitSeconds)
      resolve(response)
    })
    request.end(body)
  })
}

function headersOf({ secret, now = Date.now }: WebhookOptions, key: string, body: string) {
  const time = new Date(now()).toISOString()
  return {
    'Content-Type': 'application/json',
    'Content-Length': Buffer.byteLength(body),
    'User-Agent': 'motepost',
    'Idempotency-Key': JSON.stringify(key),
    'Motepost-Time': time,
    ...(secret === undefined ? {} : { 'Motepost-Signature': webhookSignature(secret, time, body) }),
  }
}

/** A short answer is heard to its end, so that no server sees its client run off; a long or slow one is broken off. */
function letRunOut(response: IncomingMessage, limitSeconds: number): void {
  let bytes = 0
  const timer = setTimeout(() => response.destroy(), limitSeconds * 1000)
  timer.unref()
  response.on('error', () => undefined)
  response.on('close', () => clearTimeout(timer))
  response.on('data', (chunk: Buffer) => {
    bytes += chunk.length
    if (bytes > mostBodyBytes) response.destroy()
  })
}

/** Statuses that speak of this moment and not of the message (RFC 9110, RFC 6585, RFC 8470). */
const passing = new Set([408, 425, 429])

function judged({ statusCode = 0 }: IncomingMessage): Outcome<Delivered> {
  if (statusCode >= 200 && statusCode < 300) return good({ parts: 1, words: `status ${statusCode}` })
  if (statusCode >= 300 && statusCode < 400)
    return bad('webhook-refused', `it answers with a redirect (status ${statusCode}), which is not followed`)
  const isPassing = statusCode >= 500 || passing.has(statusCode)
  return bad(isPassing ? 'webhook-failed' : 'webhook-refused', `status ${statusCode}`)
}

const failed = (error: SocketError): { ok: false; fault: Fault } => ({ ok: false, fault: faultOf(error) })

/** Only the code of the error: its message names the host. */
function faultOf(error: SocketError): Fault {
  const words = tlsWords(error)
  if (words !== undefined) return { code: 'webhook-certificate', detail: words }
  return { code: 'webhook-unreachable', detail: error.code ?? 'closed without an answer' }
}

/** Looks the name up and opens a connection, and sends nothing. Fault: webhook-unreachable, webhook-silent. */
export async function tryWebhook(
  url: string,
  { limitSeconds, resolve }: WebhookOptions,
): Promise<Outcome<void>> {
  const at = new URL(url)
  const port = Number(at.port || (at.protocol === 'https:' ? 443 : 80))
  let close = (): void => undefined
  const opened = openTcp(at.hostname.replace(/^\[|\]$/g, ''), port, rememberingLookup(resolve), (socket) => {
    close = () => void socket.destroy()
  }).then(() => good(undefined), failed)
  const answer = await withLimit(opened, limitSeconds)
  close()
  return answer === 'late' ? bad('webhook-silent', `no connection within ${limitSeconds} s`) : answer
}
