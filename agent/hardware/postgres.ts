/** PostgreSQL by the packages pg and pg-copy-streams, which who wants this installs beside the program. */
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import type { Client, ClientConfig } from 'pg'
import type * as CopyStreams from 'pg-copy-streams'
import {
  bad,
  done,
  good,
  type Outcome,
  type SqlDatabase,
  type SqlRow,
  type SqlSession,
} from '../terms/terms.js'
import { withLimit } from './limit.js'

export interface PostgresOptions {
  /** Name or address, or the folder of the socket. */
  readonly host: string
  readonly port: number
  readonly database: string
  readonly user: string
  readonly password?: string
  /** False: plain TCP. Else its certificate is checked against `ca`, or the authorities of the system. */
  readonly tls: false | { readonly ca?: string }
  readonly connectSeconds: number
  readonly statementSeconds: number
}

export const usualPostgres = { connectSeconds: 15, statementSeconds: 300 } as const

interface Packages {
  readonly pg: { readonly Client: new (config: ClientConfig) => Client }
  readonly copy: typeof CopyStreams
}

const isSocket = (host: string): boolean => host.startsWith('/')

export function postgres(
  options: PostgresOptions,
  load: () => Promise<Packages> = loadPackages,
): SqlDatabase {
  const { host, port, database } = options
  const name = isSocket(host) ? `${database} in ${host}` : `${database} at ${host}:${port}`
  return {
    name,
    connect: async () => {
      const packages = await load().catch((error: Error) => error)
      if (packages instanceof Error) return bad('sql-package-missing', packages.message.split('\n')[0])
      return connect(packages, options, name)
    },
  }
}

async function loadPackages(): Promise<Packages> {
  const [pg, copy] = await Promise.all([import('pg'), import('pg-copy-streams')])
  return { pg: pg.default, copy: copy.default as unknown as typeof CopyStreams }
}

async function connect(
  packages: Packages,
  options: PostgresOptions,
  name: string,
): Promise<Outcome<SqlSession>> {
  const client = new packages.pg.Client(configOf(options))
  let lost: Error | undefined
  // Stays: an error between two statements has nobody else who hears it.
  client.on('error', (error) => (lost ??= error))
  const run = (work: () => Promise<unknown>, seconds: number) => bounded(work, seconds, name, () => lost)
  const opened = await run(() => client.connect(), options.connectSeconds)
  const end = async (): Promise<void> => {
    await withLimit(
      client.end().catch(() => undefined),
      2,
    )
    streamOf(client)?.destroy()
  }
  if (!opened.ok) {
    await end()
    return opened
  }
  return good(sessionOf(packages, client, (work) => run(work, options.statementSeconds), end))
}

/** Every value is handed on as the text that the server sent. */
const asText = { getTypeParser: () => (value: string) => value } as unknown as ClientConfig['types']

const configOf = (options: PostgresOptions): ClientConfig => ({
  ...{ host: options.host, port: options.port, database: options.database, user: options.user },
  ...(options.password === undefined ? {} : { password: options.password }),
  ssl:
    options.tls === false || isSocket(options.host)
      ? false
      : { ca: options.tls.ca, rejectUnauthorized: true },
  ...{ application_name: 'motepost', keepAlive: true, types: asText },
  connectionTimeoutMillis: options.connectSeconds * 1000,
})

function sessionOf(
  { copy }: Packages,
  client: Client,
  run: (work: () => Promise<unknown>) => Promise<Outcome<unknown>>,
  end: () => Promise<void>,
): SqlSession {
  return {
    query: async (text, values) => {
      const ran = await run(() => client.query(text, values && [...values]))
      if (!ran.ok) return ran
      const last = [ran.value].flat().at(-1) as { rows: SqlRow[] }
      return good(last.rows)
    },
    copyIn: async (statement, rows) => {
      const copied = await run(() =>
        pipeline(Readable.from(chunks(rows)), client.query(copy.from(statement))),
      )
      return copied.ok ? done : copied
    },
    end,
  }
}

const rowsInChunk = 200

function* chunks(rows: readonly string[]): Generator<Buffer> {
  for (let at = 0; at < rows.length; at += rowsInChunk)
    yield Buffer.from(rows.slice(at, at + rowsInChunk).join(''))
}

const streamOf = (client: Client): { destroy(): void } | undefined =>
  (client as unknown as { connection?: { stream?: { destroy(): void } } }).connection?.stream

async function bounded(
  work: () => Promise<unknown>,
  seconds: number,
  name: string,
  lost: () => Error | undefined,
): Promise<Outcome<unknown>> {
  const before = lost()
  if (before) return fault(before, name)
  try {
    const answer = await withLimit(work(), seconds)
    return answer === 'late' ? bad('sql-unreachable', `${name}: no answer in ${seconds} s`) : good(answer)
  } catch (error) {
    return fault(error as Error, name)
  }
}

/** By the class of PostgreSQL's code (appendix A of its manual; each has a digit), or by node's (EPIPE has none). */
function fault(error: Error & { code?: string }, name: string) {
  const { code = '' } = error
  const words = `${name}: ${error.message.split('\n')[0].slice(0, 200)}`
  if (/^(28|3D)...$/.test(code) || /password|SASL|SCRAM/i.test(error.message))
    return bad('sql-refused-login', words)
  const isOfServer = /^(?=.*\d)[0-9A-Z]{5}$/.test(code) && !/^(08|53300|57P)/.test(code)
  return bad(isOfServer ? 'sql-refused' : 'sql-unreachable', words)
}
