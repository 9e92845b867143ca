import type { FramingSpec } from './layout.js'
import { join, type Parsed, type ShapeReader } from './shape.js'

const kinds = ['length-word', 'fixed', 'stuffed', 'lines'] as const

const keysOf: Readonly<Record<(typeof kinds)[number], readonly string[]>> = {
  'length-word': ['kind', 'start', 'length', 'answers?'],
  fixed: ['kind', 'start', 'answer', 'length', 'sum', 'tail'],
  stuffed: ['kind', 'delimiter', 'escape', 'stuffed', 'address', 'command', 'length'],
  lines: ['kind', 'pattern', 'longest_bytes?'],
}

/** The framing of a layout with its parameters; a fault where it is none of the four kinds. */
export function readFraming(read: ShapeReader, value: unknown, path: string): FramingSpec | undefined {
  const kind = (value as Parsed | null | undefined)?.kind
  if (!kinds.includes(kind as never))
    return value === undefined
      ? undefined
      : read.fault(join(path, 'kind'), `must be one of ${kinds.join(', ')}`)
  const spec = read.map(value, path, keysOf[kind as (typeof kinds)[number]])!
  const at = (key: string): [unknown, string] => [spec[key], join(path, key)]
  const byte = (key: string): number => read.hex(...at(key), 1)[0]
  switch (kind as (typeof kinds)[number]) {
    case 'length-word':
      return {
        kind: 'length-word',
        start: read.hex(...at('start'), 2),
        length: read.number(...at('length'), 3, 252),
        answers: readAnswers(read, ...at('answers')),
      }
    case 'fixed':
      return readFixed(read, spec, path)
    case 'stuffed':
      return {
        kind: 'stuffed',
        delimiter: byte('delimiter'),
        escape: byte('escape'),
        stuffed: read.hex(...at('stuffed')),
        address: byte('address'),
        command: byte('command'),
        length: read.number(...at('length'), 1, 255),
      }
    case 'lines':
      return {
        kind: 'lines',
        pattern: readPattern(read, ...at('pattern')),
        longest: spec.longest_bytes === undefined ? 128 : read.number(...at('longest_bytes'), 8, 1024),
      }
  }
}

function readAnswers(read: ShapeReader, value: unknown, path: string): number[] {
  if (value === undefined) return []
  return read.list(value, path).map((length, i) => read.number(length, join(path, i), 3, 252))
}

function readFixed(read: ShapeReader, spec: Parsed, path: string): FramingSpec {
  const length = read.number(spec.length, join(path, 'length'), 5, 256)
  const sumPath = join(path, 'sum')
  const sum = spec.sum === undefined ? {} : (read.map(spec.sum, sumPath, ['from', 'to', 'at']) ?? {})
  const place = (key: string, lowest: number): number =>
    read.number(sum[key], join(sumPath, key), lowest, length - 2)
  const sumFrom = place('from', 2)
  const start = read.hex(spec.start, join(path, 'start'), 2)
  const answer = read.hex(spec.answer, join(path, 'answer'), 2)
  if (answer[0] !== start[0]) read.fault(join(path, 'answer'), 'must have the first byte of start')
  const tail = read.hex(spec.tail, join(path, 'tail'), 1)[0]
  return {
    kind: 'fixed',
    start,
    answer,
    length,
    sumFrom,
    sumTo: place('to', sumFrom),
    sumAt: place('at', 2),
    tail,
  }
}

/** A repeat inside a repeated group can take time beyond all bounds on a line that almost matches. */
const nestedRepeat = /\([^()]*[*+}][^()]*\)[*+{]/

function readPattern(read: ShapeReader, value: unknown, path: string): RegExp {
  const pattern = linePattern(read.text(value, path))
  if (typeof pattern !== 'string') return pattern
  read.fault(path, pattern)
  return /^$/u
}

/** The pattern of a whole line, or what is wrong with its text. */
export function linePattern(text: string): RegExp | string {
  if (nestedRepeat.test(text)) return 'repeats a group that holds a repeat; a line could take for ever'
  try {
    return new RegExp(`^(?:${text})$`, 'u')
  } catch (error) {
    return `is not a regular expression: ${(error as Error).message}`
  }
}

/** Names of the groups of a pattern. */
export const groupNames = (pattern: RegExp): string[] =>
  [...pattern.source.matchAll(/\(\?<([A-Za-z_]\w*)>/g)].map((match) => match[1])
