/**
 * A real PostgreSQL in a temporary folder, by its own programs (Debian: postgresql). It refuses to run as root: then it runs
 * as `nobody`. Where the programs are missing a test skips with a plain message, except in CI, where they must be there.
 */
import { execFileSync, spawn, type ChildProcess } from 'node:child_process'
import { chownSync, existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { freePort } from './mosquitto.js'
import { findProgram } from './real-parts.js'

export interface Postgres {
  readonly port: number
  /** What psql prints for a question, without headings; columns apart by '|'. */
  ask(question: string): string
  /** SIGKILL to the server and all that serves its connections. */
  kill(): Promise<void>
  start(): Promise<void>
  /** Ends it and removes the folder. */
  remove(): Promise<void>
}

/** Debian keeps them out of the path, by version. */
const debian = '/usr/lib/postgresql'
const versions = existsSync(debian) ? readdirSync(debian).sort((a, b) => Number(a) - Number(b)) : []
const folder = versions.length > 0 ? join(debian, versions[versions.length - 1], 'bin') : undefined
const programOf = (name: string): string =>
  folder !== undefined && existsSync(join(folder, name)) ? join(folder, name) : (findProgram(name) ?? name)

export const hasPostgres: boolean = existsSync(programOf('initdb')) || process.env.CI !== undefined
if (!hasPostgres)
  console.info('skipped: the tests against a real PostgreSQL (Debian: apt-get install postgresql)')

const isRoot = process.getuid?.() === 0
const idOf = (flag: string): number => Number(execFileSync('id', [flag, 'nobody'], { encoding: 'utf8' }))
const someone = isRoot ? { uid: idOf('-u'), gid: idOf('-g') } : {}

export interface PostgresOptions {
  /** Whoever comes over TCP needs it (SCRAM-SHA-256); without it anybody is let in. */
  readonly password?: string
  readonly tls?: { readonly certFile: string; readonly keyFile: string }
}

export async function startPostgres({ password, tls }: PostgresOptions = {}): Promise<Postgres> {
  const base = mkdtempSync(join(tmpdir(), 'database-'))
  if (isRoot) chownSync(base, someone.uid!, someone.gid!)
  const data = join(base, 'data')
  const env = { ...process.env, LC_ALL: 'C.UTF-8', PGPASSWORD: password ?? '' }
  const options = { ...someone, cwd: base, env }
  const give = (name: string, content: string | Buffer): string => {
    const path = join(base, name)
    writeFileSync(path, content, { mode: 0o600 })
    if (isRoot) chownSync(path, someone.uid!, someone.gid!)
    return path
  }
  const auth =
    password === undefined
      ? ['--auth=trust']
      : ['--auth=scram-sha-256', '--pwfile', give('password', `${password}\n`)]
  const login = ['-U', 'motepost', ...auth, '--encoding=UTF8', '--no-sync']
  const certificate = tls && [
    ...['-c', 'ssl=on', '-c', `ssl_cert_file=${give('server.crt', readFileSync(tls.certFile))}`],
    ...['-c', `ssl_key_file=${give('server.key', readFileSync(tls.keyFile))}`],
  ]
  execFileSync(programOf('initdb'), ['-D', data, ...login], { ...options, stdio: 'pipe' })
  const port = await freePort()
  let running: ChildProcess | undefined
  const ask = (question: string): string =>
    execFileSync(
      programOf('psql'),
      ['-h', '127.0.0.1', '-p', String(port), '-U', 'motepost', '-d', 'motepost', '-XAtc', question],
      { ...options, encoding: 'utf8', stdio: 'pipe' },
    ).trim()
  const start = async (): Promise<void> => {
    const args = [
      '-D',
      data,
      '-p',
      String(port),
      '-c',
      'listen_addresses=127.0.0.1',
      '-k',
      base,
      ...(certificate ?? []),
    ]
    running = spawn(programOf('postgres'), args, { ...options, stdio: 'ignore' })
    await answering(running, port)
  }
  const end = async (signal: NodeJS.Signals): Promise<void> => {
    if (!running || running.exitCode !== null || running.signalCode !== null) return
    const exit = new Promise((resolve) => running!.once('exit', resolve))
    const served = childrenOf(running.pid!)
    running.kill(signal)
    if (signal === 'SIGKILL') for (const pid of served) killQuietly(pid)
    await exit
  }
  await start()
  execFileSync(
    programOf('createdb'),
    ['-h', '127.0.0.1', '-p', String(port), '-U', 'motepost', 'motepost'],
    options,
  )
  return {
    ...{ port, ask, start },
    kill: () => end('SIGKILL'),
    remove: async () => {
      await end('SIGINT')
      rmSync(base, { recursive: true, force: true })
    },
  }
}

async function answering(program: ChildProcess, port: number): Promise<void> {
  for (;;) {
    if (program.exitCode !== null) throw new Error(`postgres ended with ${program.exitCode}`)
    try {
      execFileSync(programOf('pg_isready'), ['-q', '-h', '127.0.0.1', '-p', String(port)])
      return
    } catch {
      await new Promise((resolve) => setTimeout(resolve, 50))
    }
  }
}

/** Processes whose parent is this one; Linux. */
function childrenOf(pid: number): number[] {
  const pids = readdirSync('/proc').filter((name) => /^\d+$/.test(name))
  return pids.map(Number).filter((one) => {
    try {
      return Number(readFileSync(`/proc/${one}/stat`, 'utf8').split(') ')[1].split(' ')[1]) === pid
    } catch {
      return false
    }
  })
}

function killQuietly(pid: number): void {
  try {
    process.kill(pid, 'SIGKILL')
  } catch {
    // It has ended with its parent.
  }
}
