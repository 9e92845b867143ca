import { accessSync, constants, existsSync, writeFileSync } from 'node:fs'
import { dirname, isAbsolute, resolve } from 'node:path'
import { SystemClock } from '../hardware/clock.js'
import { recordingLine } from '../hardware/recording-line.js'
import { serialLine } from '../hardware/serial-line.js'
import { tcpLine } from '../hardware/tcp-line.js'
import { recordingChunk, recordingHead, type Layout } from '../instruments/instruments.js'
import {
  bad,
  faultText,
  good,
  portKind,
  utcText,
  type Clock,
  type LineFactory,
  type Outcome,
} from '../terms/terms.js'
import { knownLayouts, loadLayout } from './layouts.js'
import { viewBoard, type BoardView } from './listen-board.js'
import { factsOf, type Facts } from './listen-facts.js'
import { planOf } from './listen-plan.js'
import { bestAttempt, search, type Search } from './listen-session.js'
import { wordsOf } from './listen-words.js'

export interface ListenOptions {
  /** Only this speed. */
  readonly baud?: number
  /** How long each speed is listened to, and again after commands; with `record` also how long is recorded. */
  readonly seconds?: number
  /** A new file for what was heard. */
  readonly record?: string
  /** Only this layout: a name in config/instruments or the path of a .yaml file. */
  readonly layout?: string
  readonly json?: boolean
}

/** What the command needs of the world; tests bring some of it themselves. */
export interface ListenWorld {
  readonly clock: Clock
  lineAt(port: string, baud: number | undefined): LineFactory
  viewBoard(port: string): BoardView
  /** Ends the listening early. */
  readonly signal: AbortSignal
  print(text: string): void
  progress(words: string): void
}

/**
 * Finds out what speaks at a port and prints it, with the lines for the settings.
 * @param port a device, tcp://host:port, or file: and the path of a recording
 * @returns exit code: 0 readings of a known layout came, 1 none, 2 wrong use
 */
export async function listen(
  port: string,
  options: ListenOptions,
  world: Partial<ListenWorld> = {},
): Promise<number> {
  const wrong = wrongUse(port, options)
  if (wrong !== undefined) return refuse(wrong)
  const layouts = options.layout === undefined ? good(knownLayouts()) : only(options.layout)
  if (!layouts.ok) return refuse(faultText(layouts.fault))
  const interrupted = untilInterrupted()
  try {
    return await hear(port, options, layouts.value, { ...realWorld(interrupted.signal), ...world })
  } finally {
    interrupted.release()
  }
}

async function hear(
  port: string,
  options: ListenOptions,
  layouts: readonly Layout[],
  world: ListenWorld,
): Promise<number> {
  const { facts, found } = await hearPort(port, options, layouts, world)
  const kept = options.record === undefined ? undefined : keep(fileFor(options.record), found)
  const told = { ...facts, ...recordingFacts(kept) }
  world.print(options.json ? JSON.stringify(told, undefined, 2) + '\n' : wordsOf(told))
  return facts.recognised && kept?.ok !== false ? 0 : 1
}

/** What speaks at a port: what `listen` prints, as facts. */
export async function hearPort(
  port: string,
  options: ListenOptions,
  layouts: readonly Layout[],
  world: ListenWorld,
): Promise<{ facts: Facts; found: Search }> {
  const kind = portKind(port)
  const board = kind === 'serial' ? world.viewBoard(port) : { device: port, isConsole: false, others: [] }
  const wholeTime = options.record !== undefined
  const plan = planOf(layouts, { ...options, kind, quiet: kind === 'file' || board.isConsole, wholeTime })
  const found = await search(plan, {
    ...world,
    lineAt: (baud) => world.lineAt(port, baud),
    replayed: kind === 'file',
  })
  world.progress('')
  return { facts: factsOf({ port, kind, layout: settingsName(options.layout), board }, found), found }
}

function refuse(words: string): number {
  process.stderr.write(`${words}\n`)
  return 2
}

const settingsName = (layout: string | undefined): string | undefined =>
  layout?.endsWith('.yaml') ? resolve(layout) : layout

function only(name: string): Outcome<Layout[]> {
  const layout = loadLayout(name)
  return layout.ok ? good([layout.value]) : layout
}

/** What is wrong with the command line, or undefined. */
function wrongUse(port: string, { baud, seconds, record }: ListenOptions): string | undefined {
  const kind = portKind(port)
  if (kind === 'tcp' && !tcpAddress(port)) return `${port} is no address: write tcp://host:port.`
  if (kind === 'serial' && !isAbsolute(port))
    return `${port} is no port: write a device such as /dev/ttyUSB0, tcp://host:port, or file: and the path of a recording.`
  if (baud !== undefined && kind !== 'serial')
    return '--baud is for devices: a serial server has its own setting, a recording has no speed.'
  if (baud !== undefined && !(Number.isInteger(baud) && baud >= 1200 && baud <= 921_600))
    return '--baud must be a whole number from 1200 to 921600.'
  if (seconds !== undefined && kind === 'file')
    return '--seconds says nothing for a recording: it is read to its end.'
  if (seconds !== undefined && !(seconds > 0 && seconds <= 3600))
    return '--seconds must be above 0 and at most 3600.'
  return record === undefined ? undefined : wrongRecord(fileFor(record))
}

/** Found out before a minute is spent on listening. */
function wrongRecord(file: string): string | undefined {
  if (existsSync(file)) return `${file} is there already: name a new file.`
  try {
    accessSync(dirname(file), constants.W_OK)
    return undefined
  } catch {
    return `${dirname(file)} is no folder that can be written to.`
  }
}

/** Recordings are hex text, and whoever plays them knows that by the end of the name. */
const fileFor = (record: string): string => resolve(record.endsWith('.hex') ? record : `${record}.hex`)

/** Writes what was heard where most could be read; the file, or nothing where nothing came. */
function keep(file: string, { attempts }: Search): Outcome<string | undefined> {
  const best = bestAttempt(attempts)
  if (!best || best.chunks.length === 0) return good(undefined)
  const { trial, judgement, asked, startedAt, chunks } = best
  const head = recordingHead({
    layout: judgement.candidates[0]?.layout.name ?? 'unknown',
    line: trial.baud === undefined ? 'speed not known' : `${trial.baud} 8N1`,
    start: utcText(startedAt),
    special: asked ? 'silent until commands were sent' : 'nothing',
  })
  const lines = chunks.map((chunk) => recordingChunk(chunk.seconds, chunk.bytes))
  try {
    writeFileSync(file, head + lines.join(''), { flag: 'wx' })
    return good(file)
  } catch (error) {
    return bad('disk-error', `${file}: ${(error as Error).message}`)
  }
}

function recordingFacts(
  kept: Outcome<string | undefined> | undefined,
): Pick<Facts, 'recording' | 'recording_fault'> {
  if (kept === undefined) return {}
  if (!kept.ok) return { recording_fault: faultText(kept.fault) }
  return kept.value === undefined ? { recording_fault: 'nothing came' } : { recording: kept.value }
}

const tcpShape = /^tcp:\/\/(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):(\d{1,5})$/

function tcpAddress(text: string): { host: string; port: number } | undefined {
  const [, host, digits] = tcpShape.exec(text) ?? []
  const port = Number(digits)
  return port >= 1 && port <= 65_535 ? { host: host.replace(/^\[|\]$/g, ''), port } : undefined
}

function lineOf(port: string, baud: number | undefined): LineFactory {
  const address = tcpAddress(port)
  if (address) return tcpLine(address.host, address.port)
  if (portKind(port) === 'file') return recordingLine(port.slice('file:'.length), 4096)
  return serialLine(port, baud!)
}

export function realWorld(signal: AbortSignal): ListenWorld {
  return {
    clock: new SystemClock('system'),
    lineAt: lineOf,
    viewBoard,
    signal,
    print: (text) => void process.stdout.write(text),
    progress: process.stderr.isTTY ? oneLine() : () => undefined,
  }
}

/** Words that replace each other on one line of a terminal. */
function oneLine(): (words: string) => void {
  let shown = ''
  return (words) => {
    if (words !== shown) process.stderr.write(`\r\u001b[2K${words}`)
    shown = words
  }
}

/** Ctrl-C ends the listening and tells what was heard; a second one ends the program. */
export function untilInterrupted(): { signal: AbortSignal; release(): void } {
  const controller = new AbortController()
  const stop = (): void => controller.abort()
  process.once('SIGINT', stop)
  process.once('SIGTERM', stop)
  return {
    signal: controller.signal,
    release: () => {
      process.off('SIGINT', stop)
      process.off('SIGTERM', stop)
    },
  }
}
