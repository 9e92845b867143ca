import { chmod, lstat, mkdir, rm } from 'node:fs/promises'
import { connect, createServer, type Server, type Socket } from 'node:net'
import { dirname } from 'node:path'
import { bad, done, good, type Fault, type FaultCode, type Outcome } from '../terms/terms.js'
import { ControlClient, type ControlHandler, type ControlLimits } from './control-client.js'

export type { ControlHandler, ControlLimits } from './control-client.js'

/** The kernel's name of a Unix socket holds 108 bytes, the last of which is a zero (man 7 unix, sun_path). */
export const longestSocketPath = 107

export const usualControl: ControlLimits = {
  requestBytes: 32 * 1024,
  idleSeconds: 15,
  answerSeconds: 10,
  clients: 8,
}

export interface ControlOptions {
  readonly path: string
  /** 0o600 for the agent's own user only, 0o660 for its group too. */
  readonly mode: number
  readonly limits?: ControlLimits
}

export interface ControlSocket {
  /** Ends every client, frees the name. */
  close(): Promise<void>
}

/**
 * Listens on a Unix socket: one JSON request a line, one JSON answer a line, in order. What a killed agent left behind is
 * replaced; a live one is a fault. Faults: store-in-use (an agent answers there), control-unavailable.
 */
export async function listenControl(
  { path, mode, limits = usualControl }: ControlOptions,
  handle: ControlHandler,
): Promise<Outcome<ControlSocket>> {
  const free = await freeName(path)
  if (!free.ok) return free
  const clients = new Set<ControlClient>()
  const server = createServer((socket) => {
    if (clients.size >= limits.clients) return void socket.destroy()
    const client = new ControlClient(socket, limits, handle, () => clients.delete(client))
    clients.add(client)
  })
  const listening = await listen(server, path, mode)
  if (!listening.ok) return listening
  return good({
    close: async () => {
      for (const client of clients) client.end()
      await new Promise<void>((resolve) => server.close(() => resolve()))
    },
  })
}

/** What is wrong with a path as the name of a socket; undefined when nothing is. */
export function socketPathFault(path: string): Fault | undefined {
  const bytes = Buffer.byteLength(path)
  if (bytes <= longestSocketPath) return undefined
  const detail = `${path} has ${bytes} bytes, a socket's name at most ${longestSocketPath}`
  return { code: 'control-unavailable', detail }
}

/** A name that nobody answers on: free, or freed of what a killed agent left. */
async function freeName(path: string): Promise<Outcome<void>> {
  const fault = socketPathFault(path)
  if (fault) return { ok: false, fault }
  try {
    await mkdir(dirname(path), { recursive: true })
    const found = await lstat(path).catch(() => undefined)
    if (!found) return done
    if (!found.isSocket()) return bad('control-unavailable', `${path} is there and is no socket`)
    if (await answers(path)) return bad('store-in-use', `it answers on ${path}`)
    await rm(path, { force: true })
    return done
  } catch (error) {
    return bad('control-unavailable', `${path} (${codeOf(error)})`)
  }
}

function answers(path: string): Promise<boolean> {
  return new Promise((resolve) => {
    const socket = connect(path)
    const end = (alive: boolean): void => {
      socket.destroy()
      resolve(alive)
    }
    socket.once('connect', () => end(true))
    // A full queue or a missing permission is a sign of life too; only 'nobody listens' is not.
    socket.once('error', (error) => end(!['ECONNREFUSED', 'ENOENT'].includes(codeOf(error))))
  })
}

function listen(server: Server, path: string, mode: number): Promise<Outcome<void>> {
  return new Promise((resolve) => {
    server.once('error', (error) => resolve(bad('control-unavailable', `${path} (${codeOf(error)})`)))
    server.listen(path, () => {
      server.unref()
      server.on('error', () => undefined)
      chmod(path, mode).then(
        () => resolve(done),
        (error: unknown) => resolve(bad('control-unavailable', `${path} (${codeOf(error)})`)),
      )
    })
  })
}

const codeOf = (error: unknown): string => (error as NodeJS.ErrnoException).code ?? String(error)

// ---- the other end ----------------------------------------------------------------------------------------------------

const faultOf: Readonly<Record<string, FaultCode>> = {
  ENOENT: 'agent-not-running',
  ECONNREFUSED: 'agent-not-running',
  ENOTDIR: 'agent-not-running',
  EACCES: 'control-denied',
  EPERM: 'control-denied',
}

function cannotAsk(path: string, code: string): { ok: false; fault: Fault } {
  const fault = faultOf[code] ?? 'agent-silent'
  if (fault !== 'agent-not-running') return bad(fault, `${path} (${code})`)
  const killed = code === 'ECONNREFUSED'
  return bad(fault, killed ? `${path} is left from one that was killed` : `nothing listens at ${path}`)
}

/** Longest answer that is believed. */
const longestAnswerBytes = 8 * 1024 * 1024

/**
 * Asks a running agent one thing. Faults: agent-not-running (nobody listens there), control-denied, agent-silent (it did
 * not answer in time, or not with a JSON object).
 */
export function askControl(path: string, request: unknown, limitSeconds = 10): Promise<Outcome<unknown>> {
  if (Buffer.byteLength(path) > longestSocketPath)
    return Promise.resolve(bad('agent-not-running', `${path} is longer than a socket's name can be`))
  return new Promise((resolve) => {
    const socket = connect(path)
    const end = (outcome: Outcome<unknown>): void => {
      clearTimeout(timer)
      socket.destroy()
      resolve(outcome)
    }
    const timer = setTimeout(
      () => end(bad('agent-silent', `${path}, ${limitSeconds} s`)),
      limitSeconds * 1000,
    )
    socket.once('connect', () => socket.write(JSON.stringify(request) + '\n'))
    socket.once('error', (error) => end(cannotAsk(path, codeOf(error))))
    socket.once('close', () => end(bad('agent-silent', `${path} was closed`)))
    readAnswer(socket, path, end)
  })
}

function readAnswer(socket: Socket, path: string, end: (outcome: Outcome<unknown>) => void): void {
  const parts: Buffer[] = []
  let length = 0
  socket.on('data', (bytes: Buffer) => {
    parts.push(bytes)
    length += bytes.length
    if (length > longestAnswerBytes) return end(bad('agent-silent', `${path}: the answer is too long`))
    if (!bytes.includes(10)) return
    const answer = objectIn(Buffer.concat(parts).toString())
    end(answer ? good(answer) : bad('agent-silent', `${path}: the answer is no JSON object`))
  })
}

function objectIn(text: string): Readonly<Record<string, unknown>> | undefined {
  try {
    const value: unknown = JSON.parse(text)
    const isObject = typeof value === 'object' && value !== null && !Array.isArray(value)
    return isObject ? (value as Record<string, unknown>) : undefined
  } catch {
    return undefined
  }
}
