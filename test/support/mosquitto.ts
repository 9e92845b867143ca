/**
 * A real mosquitto on a free loopback port, with a configuration of its own in a temporary folder.
 * Where the program is missing a test skips with a plain message, except in CI, where it must be there.
 */
import { spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { connect, createServer, isIP, type AddressInfo } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'

export interface MosquittoOptions {
  readonly port?: number
  /** As mosquitto_passwd makes it; without it anybody is let in. */
  readonly passwordFile?: string
  readonly tls?: { readonly certFile: string; readonly keyFile: string }
  /** False: everything is forgotten when it ends. */
  readonly persistent?: boolean
  /** Further lines of the configuration. */
  readonly config?: readonly string[]
}

export interface Mosquitto {
  readonly port: number
  stop(): Promise<void>
  /** Stops and starts on the same port, forgetting nothing that was persistent. */
  restart(): Promise<void>
  /** SIGKILL: what was not persistent is gone. */
  kill(): Promise<void>
  /** Starts again after `stop` or `kill`. */
  start(): Promise<void>
  /** Stops for good and removes the folder. */
  remove(): Promise<void>
}

const searched = `${process.env.PATH ?? ''}:/usr/sbin:/usr/local/sbin`
const environment = { ...process.env, PATH: searched }

const canRun = (program: string, argument: string): boolean =>
  spawnSync(program, [argument], { env: environment }).error === undefined

/** True when mosquitto can be started; tells so once when not. In CI its absence is left to fail. */
export const hasMosquitto: boolean = canRun('mosquitto', '-h') || process.env.CI !== undefined
if (!hasMosquitto)
  console.info('mosquitto is not installed: the tests against a real MQTT 5 broker are skipped')

export const hasOpenssl: boolean = canRun('openssl', 'version') || process.env.CI !== undefined
if (!hasOpenssl) console.info('openssl is not installed: the certificate tests are skipped')

export async function freePort(): Promise<number> {
  const server = createServer()
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const { port } = server.address() as AddressInfo
  await new Promise((resolve) => server.close(resolve))
  return port
}

export async function startMosquitto(options: MosquittoOptions = {}): Promise<Mosquitto> {
  const folder = mkdtempSync(join(tmpdir(), 'broker-'))
  const port = options.port ?? (await freePort())
  const config = join(folder, 'mosquitto.conf')
  writeFileSync(config, configuration(port, folder, options).join('\n') + '\n')
  let running: ChildProcess | undefined
  const start = async (): Promise<void> => {
    running = spawn('mosquitto', ['-c', config], { stdio: 'ignore', env: environment })
    await answering(port, running)
  }
  const stop = async (signal: NodeJS.Signals = 'SIGTERM'): Promise<void> => {
    await ended(running, signal)
    running = undefined
  }
  await start()
  return {
    port,
    start,
    stop: () => stop(),
    kill: () => stop('SIGKILL'),
    restart: async () => {
      await stop()
      await start()
    },
    remove: async () => {
      await stop()
      rmSync(folder, { recursive: true, force: true })
    },
  }
}

function configuration(
  port: number,
  folder: string,
  { passwordFile, tls, config, persistent = true }: MosquittoOptions,
): string[] {
  return [
    `listener ${port} 127.0.0.1`,
    `allow_anonymous ${passwordFile ? 'false' : 'true'}`,
    ...(passwordFile ? [`password_file ${passwordFile}`] : []),
    ...(tls ? [`certfile ${tls.certFile}`, `keyfile ${tls.keyFile}`] : []),
    `persistence ${persistent}`,
    `persistence_location ${folder}/`,
    // As root it would change to a user who cannot read the folder.
    ...(process.getuid?.() === 0 ? ['user root'] : []),
    ...(config ?? []),
  ]
}

/** Resolves when the port takes connections; rejects when the program ends instead. */
async function answering(port: number, program: ChildProcess): Promise<void> {
  let failed: string | undefined
  program.once('error', (error) => (failed = error.message))
  program.once('exit', (code) => (failed = `mosquitto ended with ${code}`))
  while (failed === undefined) {
    if (await takesConnections(port)) return
    await new Promise((resolve) => setTimeout(resolve, 20))
  }
  throw new Error(failed)
}

const takesConnections = (port: number): Promise<boolean> =>
  new Promise((resolve) => {
    const socket = connect(port, '127.0.0.1')
    socket.once('connect', () => {
      socket.destroy()
      resolve(true)
    })
    socket.once('error', () => resolve(false))
  })

async function ended(program: ChildProcess | undefined, signal: NodeJS.Signals): Promise<void> {
  if (!program || program.exitCode !== null || program.signalCode !== null) return
  const exit = new Promise((resolve) => program.once('exit', resolve))
  program.kill(signal)
  await exit
}

/** Writes a password file with one user. */
export function passwordFile(folder: string, username: string, password: string): string {
  const path = join(folder, 'passwords')
  const made = spawnSync('mosquitto_passwd', ['-b', '-c', path, username, password], { env: environment })
  if (made.status !== 0) throw new Error(`mosquitto_passwd: ${made.error?.message ?? made.stderr.toString()}`)
  return path
}

export interface Certificate {
  readonly certFile: string
  readonly keyFile: string
}

/** Times as openssl writes them, YYYYMMDDHHMMSSZ. */
export const alwaysValid = { from: '20000101000000Z', to: '20990101000000Z' }

/** A key and a self-signed certificate for a name or an address, made with openssl in a folder. */
export function selfSigned(folder: string, name: string, validity = alwaysValid): Certificate {
  const of = (ending: string): string => join(folder, `${name}.${ending}`)
  writeFileSync(of('index'), '')
  writeFileSync(of('serial'), '01\n')
  writeFileSync(of('ext'), `subjectAltName=${isIP(name) ? 'IP' : 'DNS'}:${name}\nbasicConstraints=CA:TRUE\n`)
  writeFileSync(
    of('cnf'),
    `[ca]\ndefault_ca=d\n[d]\ndatabase=${of('index')}\nserial=${of('serial')}\nnew_certs_dir=${folder}\n` +
      'default_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n',
  )
  openssl(
    'req',
    '-new',
    '-newkey',
    'ec',
    '-pkeyopt',
    'ec_paramgen_curve:prime256v1',
    '-nodes',
    '-subj',
    `/CN=${name}`,
  )(...['-keyout', of('key'), '-out', of('csr')])
  openssl(
    'ca',
    '-batch',
    '-selfsign',
    '-notext',
    '-config',
    of('cnf'),
    '-extfile',
    of('ext'),
    '-keyfile',
    of('key'),
  )(...['-in', of('csr'), '-out', of('crt'), '-startdate', validity.from, '-enddate', validity.to])
  return { certFile: of('crt'), keyFile: of('key') }
}

const openssl =
  (...head: string[]) =>
  (...rest: string[]): void => {
    const made = spawnSync('openssl', [...head, ...rest])
    if (made.status !== 0) throw new Error(`openssl: ${made.error?.message ?? made.stderr.toString()}`)
  }
