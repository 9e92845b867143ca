import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { parse } from 'yaml'
import {
  createDecoder,
  readLayout,
  readRecording,
  type Decoder,
  type DecoderOptions,
  type Layout,
  type LineCounts,
} from '../../agent/instruments/instruments.js'

const folder = join(import.meta.dirname, '../../config/instruments')

/** The layouts of config/instruments by the name of their file. */
export const layouts: ReadonlyMap<string, Layout> = new Map(
  readdirSync(folder)
    .filter((file) => file.endsWith('.yaml'))
    .map((file) => [file.replace('.yaml', ''), layoutOf(parse(readFileSync(join(folder, file), 'utf8')))]),
)

export function layoutOf(value: unknown): Layout {
  const read = readLayout(value)
  if (!read.ok) throw new Error(JSON.stringify(read.faults))
  return read.layout
}

export function layoutNamed(name: string): Layout {
  const layout = layouts.get(name)
  if (!layout) throw new Error(`no layout ${name}`)
  return layout
}

/** A parsed layout file as plain values, for spoiling. */
export const parsedLayout = (name: string): Record<string, unknown> =>
  parse(readFileSync(join(folder, `${name}.yaml`), 'utf8')) as Record<string, unknown>

export interface Collected {
  readonly decoder: Decoder
  /** Values and error code of each reading. */
  readonly rows: number[][]
  readonly answers: string[]
}

/** A decoder that keeps what it gives. */
export function collecting(layout: Layout, options: Partial<DecoderOptions> = {}): Collected {
  const rows: number[][] = []
  const answers: string[] = []
  const decoder = createDecoder(layout, {
    ...options,
    sink: (values, errorCode) => rows.push([...values, errorCode]),
    onAnswer: (found) => answers.push(found),
  })
  return { decoder, rows, answers }
}

export const hex = (text: string): Uint8Array =>
  Uint8Array.from(text.trim().split(/\s+/), (pair) => parseInt(pair, 16))

export const joined = (...parts: readonly Uint8Array[]): Uint8Array =>
  Uint8Array.from(parts.flatMap((part) => [...part]))

/** One value of a reading by channel name. */
export const valueOf = (decoder: Decoder, row: readonly number[], name: string): number =>
  row[decoder.channels.findIndex((channel) => channel.name === name)]

export const balances = (counts: LineCounts): boolean =>
  counts.bytesTaken ===
  counts.bytesInFrames + counts.bytesInAnswers + counts.bytesDiscarded + counts.bytesHeld

/** A 32-byte frame from thirteen words: twelve values and version with error. */
export function frame32(words: readonly number[]): Uint8Array {
  const bytes = [0x42, 0x4d, 0, 28, ...words.flatMap((word) => [word >> 8, word & 0xff])]
  const sum = bytes.reduce((total, byte) => total + byte, 0)
  return Uint8Array.from([...bytes, sum >> 8, sum & 0xff])
}

/** Frame number n: the number stands in the masses, all orders of size hold. */
export const numbered32 = (n: number): Uint8Array =>
  frame32([n, n, n, n, n, n, 3000, 900, 200, 20, 4, 1, 0x9700])

/** Bytes from a seed (a linear congruential generator), the same on each machine. */
export function seededBytes(seed: number, length: number): Uint8Array {
  let state = seed >>> 0
  return Uint8Array.from({ length }, () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0
    return state >>> 24
  })
}

/** Some good frames of a binary layout, from its clean recording. */
export function goodFrames(layout: Layout): Uint8Array[] {
  const file = join(import.meta.dirname, `../recordings/${layout.name}-clean/recording.hex`)
  const read = readRecording(readFileSync(file, 'utf8'))
  if (!read.ok) throw new Error(`${file}: line ${read.line} ${read.words}`)
  return read.recording.chunks.map(({ bytes }) => bytes)
}

/** Most bytes of a frame on the wire, written down apart from the code. */
export const longestOf = (layout: Layout): number =>
  ({
    'frames-424d-24': 24,
    'frames-424d-32': 32,
    'frames-424d-40': 40,
    'frames-aac0-10': 10,
    'stuffed-7e-floats': 92,
    'text-lines-example': 128,
  })[layout.name]!
