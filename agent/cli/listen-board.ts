import { readdirSync, readFileSync, realpathSync } from 'node:fs'
import { basename, join } from 'node:path'

/** What this board says of its serial ports. */
export interface BoardView {
  /** Name of the device itself, behind all links. */
  readonly device: string
  /** The kernel writes its messages to this port. */
  readonly isConsole: boolean
  /** A name of the port that stays the same when adapters are plugged in and out. */
  readonly stableName?: string
  /** Other ports of this board, the surest names first. */
  readonly others: readonly string[]
}

const namedFolder = '/dev/serial/by-id'
const portNames = /^(ttyUSB|ttyACM|ttyAMA|ttyS|serial)\d+$/
const mostPorts = 12

/** Looks around a device; nothing here fails, what cannot be read is left out. */
export function viewBoard(port: string): BoardView {
  const device = realDevice(port)
  const named = namesIn(namedFolder).map((name) => join(namedFolder, name))
  const plain = namesIn('/dev').filter((name) => portNames.test(name))
  const ports = firstNames([...named, ...plain.sort().map((name) => join('/dev', name))])
  const stable = named.find((name) => realDevice(name) === device)
  ports.delete(device)
  return {
    device,
    isConsole: kernelConsoles().includes(basename(device)),
    ...(stable === undefined ? {} : { stableName: stable }),
    others: [...ports.values()].slice(0, mostPorts),
  }
}

/** One name for each device. */
function firstNames(names: readonly string[]): Map<string, string> {
  const byDevice = new Map<string, string>()
  for (const name of names) if (!byDevice.has(realDevice(name))) byDevice.set(realDevice(name), name)
  return byDevice
}

function realDevice(path: string): string {
  try {
    return realpathSync(path)
  } catch {
    return path
  }
}

function namesIn(folder: string): string[] {
  try {
    return readdirSync(folder)
  } catch {
    return []
  }
}

function kernelConsoles(): string[] {
  try {
    const lines = readFileSync('/proc/consoles', 'utf8').split('\n')
    return lines.map((line) => line.split(/\s/)[0])
  } catch {
    return []
  }
}
