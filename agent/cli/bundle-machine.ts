/** The machine in a support bundle: program, system, board, and whether what the settings name can be used. */
import { accessSync, constants, readFileSync, statfsSync, statSync } from 'node:fs'
import * as os from 'node:os'
import type { Settings } from '../settings/settings.js'
import { portKind } from '../terms/terms.js'
import { version } from './package-root.js'

/** No name of the machine, no user, no address of its network, no serial number. */
export function machineFacts(): Record<string, unknown> {
  const [cpu] = os.cpus()
  return {
    motepost: version,
    node: process.versions.node,
    as_root: process.getuid?.() === 0,
    system: { kind: os.platform(), name: systemName(), kernel: os.release(), machine: os.arch() },
    board: {
      class: smallFile('/proc/device-tree/model') ?? cpu?.model ?? 'not known',
      cores: os.cpus().length,
      memory_mb: megabytes(os.totalmem()),
      free_memory_mb: megabytes(os.freemem()),
      load: os.loadavg().map((one) => Math.round(one * 100) / 100),
      up_s: Math.round(os.uptime()),
      ...given('celsius', celsius()),
    },
  }
}

const megabytes = (bytes: number): number => Math.round(bytes / 1e6)

const given = <T>(key: string, value: T | undefined): Record<string, T> =>
  value === undefined ? {} : { [key]: value }

const systemName = (): string | undefined =>
  /^PRETTY_NAME="?([^"\n]{1,80})/m.exec(smallFile('/etc/os-release') ?? '')?.[1]

function celsius(): number | undefined {
  const thousandths = Number(smallFile('/sys/class/thermal/thermal_zone0/temp') ?? NaN)
  return Number.isFinite(thousandths) ? Math.round(thousandths / 1000) : undefined
}

function smallFile(path: string): string | undefined {
  try {
    return readFileSync(path, 'utf8').slice(0, 4000).replace(/\0/g, '').trim()
  } catch {
    return undefined
  }
}

// ---- what the settings name -----------------------------------------------------------------------------------------------

/** By key: whether it is there and can be used by who makes the bundle. Neither a path nor anything in it is told. */
export function namedFacts(settings: Settings): Record<string, string> {
  return Object.fromEntries([
    ...portsOf(settings).map(([key, port]) => [key, portWords(port)]),
    ...filesOf(settings).map(([key, file]) => [key, fileWords(file)]),
  ])
}

type Named = readonly [key: string, path: string]

function portsOf({ instruments, gauges, clock, delivery }: Settings): Named[] {
  return [
    ...instruments.map(({ port }, i): Named => [`instruments[${i}].port`, port]),
    ...gauges.flatMap((gauge, i): Named[] => ('port' in gauge ? [[`gauges[${i}].port`, gauge.port]] : [])),
    ...named({ 'clock.satellite.port': clock.satellite?.port, 'clock.modem.port': clock.modem?.port }),
    ...named({ 'delivery.sms.port': delivery?.sms?.port }),
  ]
}

function filesOf({ uplink, delivery, limits, supply, clock, ...rest }: Settings): Named[] {
  const mqtt = uplink.mode === 'mqtt' ? uplink : undefined
  return [
    ...named({ 'uplink.password_file': mqtt?.passwordFile, 'uplink.ca_file': mqtt?.caFile }),
    ...named({ 'uplink.cert_file': mqtt?.certFile, 'uplink.key_file': mqtt?.keyFile }),
    ...named({ 'delivery.sms.pin_file': delivery?.sms?.pinFile }),
    ...named({ 'delivery.mail.password_file': delivery?.mail?.passwordFile }),
    ...named({ 'delivery.mail.ca_file': delivery?.mail?.caFile }),
    ...named({ 'delivery.webhook.secret_file': delivery?.webhook.secretFile }),
    ...named({ 'delivery.webhook.ca_file': delivery?.webhook.caFile }),
    ...limits.correctionFiles.map((file, i): Named => [`limits.correction_files[${i}]`, file]),
    ...named({ 'supply.low_file': supply.lowFile, 'case.open_file': rest.case.openFile }),
    ...named({ 'clock.ntp_file': clock.ntpFile }),
  ]
}

const named = (paths: Readonly<Record<string, string | undefined>>): Named[] =>
  Object.entries(paths).flatMap(([key, path]): Named[] => (path === undefined ? [] : [[key, path]]))

function portWords(port: string): string {
  const kind = portKind(port)
  if (kind === 'tcp') return 'over the network: not tried'
  return fileWords(kind === 'file' ? port.slice('file:'.length) : port)
}

function fileWords(path: string): string {
  try {
    const found = statSync(path)
    const kind = found.isCharacterDevice() ? 'device' : found.isFile() ? 'file' : 'neither file nor device'
    return `${kind}, ${isReadable(path) ? 'can be read' : 'no permission to read it'}`
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    return code === 'ENOENT' ? 'not there' : (code ?? 'cannot be looked at')
  }
}

function isReadable(path: string): boolean {
  try {
    accessSync(path, constants.R_OK)
    return true
  } catch {
    return false
  }
}

// ---- disk -----------------------------------------------------------------------------------------------------------------

/** Of the file system that the folder lies on; empty where there is none. */
export function diskFacts(folder: string): Record<string, unknown> {
  try {
    const { blocks, bavail, bsize, files, ffree } = statfsSync(folder)
    return {
      total_mb: megabytes(blocks * bsize),
      free_mb: megabytes(bavail * bsize),
      ...(files > 0 ? { free_inodes_percent: Math.round((100 * ffree) / files) } : {}),
      ...mountOf(folder),
    }
  } catch {
    return {}
  }
}

/** Kind of the file system, and whether it is read-only; see proc(5), /proc/mounts. */
function mountOf(folder: string): Record<string, unknown> {
  const mounts = (smallFile('/proc/self/mounts') ?? '').split('\n').map((line) => line.split(' '))
  const [, , kind, options = ''] =
    mounts
      .filter(([, at]) => at !== undefined && `${folder}/`.startsWith(at.endsWith('/') ? at : `${at}/`))
      .sort((a, b) => b[1].length - a[1].length)
      .at(0) ?? []
  return kind === undefined ? {} : { kind, read_only: options.split(',').includes('ro') }
}
