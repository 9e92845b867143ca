import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import {
  acknowledges,
  command,
  stuff,
  stuffedFrame,
  type CommandName,
  type StuffedFraming,
} from '../../agent/instruments/instruments.js'
import { collecting, hex, layoutNamed, valueOf, type Collected } from './layouts.js'

/** Published and remembered frames; each vector names its source, the tags of the reference say how sure it is. */
interface Vector {
  readonly id: string
  readonly topic: string
  readonly inputs: { readonly hex: string; readonly command: string; readonly bodyHex?: string }
  readonly expected: Readonly<Record<string, unknown>>
  readonly tolerance: number
  readonly source: string
}

const file = join(import.meta.dirname, '../../../shared/reference/air-checks.json')
const all = existsSync(file) ? (JSON.parse(readFileSync(file, 'utf8')) as Vector[]) : []
const vectors = (topic: string): Vector[] => all.filter((vector) => vector.topic === topic)
const titled = (topic: string): [string, Vector][] =>
  vectors(topic).map((vector) => [`${vector.id} (${vector.source})`, vector])

if (all.length === 0) console.info('skipped: ../shared/reference/air-checks.json is not here')

const a = layoutNamed('frames-424d-32')
const b = layoutNamed('frames-aac0-10')
const c = layoutNamed('stuffed-7e-floats')

function fed(collected: Collected, text: string): Collected {
  collected.decoder.push(hex(text))
  return collected
}

/** Which count must be 1 for a frame that is refused for a reason. */
const refusedAs: Readonly<Record<string, string>> = {
  checksum: 'framesBadChecksum',
  length: 'framesBadLength',
  tail: 'framesBadTail',
  'escape-or-checksum': 'framesBadShape',
}

function expectRefused(collected: Collected, reason: string): void {
  const counts = collected.decoder.lineCounts()
  expect(collected.rows).toEqual([])
  if (reason === 'short') expect(counts.bytesHeld).toBe(counts.bytesTaken)
  else if (reason === 'type') expect(counts.acknowledgements).toBe(1)
  else expect(counts).toMatchObject({ [refusedAs[reason]]: 1 })
}

describe.skipIf(all.length === 0)('vectors of the 32-byte layout', () => {
  it.each(titled('frame/a-decode'))('%s', (_, { inputs, expected }) => {
    const atmospheric = fed(collecting(a), inputs.hex)
    if (!expected.ok) return expectRefused(atmospheric, expected.reason as string)
    const standard = fed(collecting(a, { scaling: 'standard-particle' }), inputs.hex)
    const counts = expected.counts as Record<string, number>
    const sizes = ['0.3', '0.5', '1.0', '2.5', '5.0', '10'].map((size) => counts[size])
    expect(atmospheric.rows).toEqual([
      [expected.pm1atm, expected.pm25atm, expected.pm10atm, ...sizes, expected.error],
    ])
    expect(standard.rows).toEqual([
      [expected.pm1cf1, expected.pm25cf1, expected.pm10cf1, ...sizes, expected.error],
    ])
    expect(atmospheric.decoder.identity()).toEqual({ version: expected.version })
  })

  it.each(titled('frame/a-plausible'))('%s', (_, { inputs, expected }) => {
    const { decoder, rows } = fed(collecting(a), inputs.hex)
    const holds = (letter: string): boolean =>
      decoder.sizeOrder
        .filter(([lower]) => decoder.channels[lower].name.startsWith(letter))
        .every(([lower, higher]) => rows[0][lower] <= rows[0][higher])
    expect(rows.length === 1).toBe(expected.checksumOk)
    expect(holds('n')).toBe(expected.countsNonIncreasing)
    expect(holds('pm')).toBe(expected.pmOrdered)
  })

  it.each(titled('frame/a-stream'))('%s', (_, { inputs, expected }) => {
    const { decoder, rows } = fed(collecting(a), inputs.hex)
    expect(rows.length).toBe(expected.validFrames)
    expect(rows.map((row) => valueOf(decoder, row, 'pm2_5'))).toEqual(expected.pm25atm)
    expect(decoder.lineCounts().bytesHeld).toBeGreaterThanOrEqual(expected.leftoverAtLeast as number)
  })

  it.each(titled('frame/a-command'))('%s', (_, { inputs, expected }) => {
    const name = inputs.command.replace('-mode', '') as CommandName
    expect(command(a, name)).toEqual(hex(expected.hex as string))
  })

  it.each(titled('frame/a-ack'))('%s', (_, { inputs }) => {
    const { decoder, answers } = fed(collecting(a), inputs.hex)
    expect(answers).toEqual(['acknowledgement'])
    expect(decoder.lineCounts()).toMatchObject({ acknowledgements: 1, bytesInAnswers: 8, disturbances: 0 })
    expect(acknowledges(a, 'sleep', hex(inputs.hex))).toBe(true)
    expect(acknowledges(a, 'passive', hex(inputs.hex))).toBe(false)
  })
})

describe.skipIf(all.length === 0)('vectors of the 10-byte layout', () => {
  it.each(titled('frame/b-decode'))('%s', (_, { inputs, expected }) => {
    const collected = fed(collecting(b), inputs.hex)
    if (!expected.ok) return expectRefused(collected, expected.reason as string)
    expect(collected.rows).toEqual([[expected.pm25, expected.pm10, 0]])
    expect(collected.decoder.identity()).toEqual({ device: expected.deviceId })
  })

  it.each(titled('frame/b-command'))('%s', (_, { inputs, expected }) => {
    const name = (inputs.command === 'query' ? 'read' : inputs.command) as CommandName
    expect(command(b, name)).toEqual(hex(expected.hex as string))
  })
})

describe.skipIf(all.length === 0)('vectors of the byte-stuffed layout', () => {
  const framing = c.framing as StuffedFraming

  it.each(titled('frame/c-decode'))('%s', (_, { inputs, expected, tolerance }) => {
    const collected = fed(collecting(c), inputs.hex)
    if (!expected.ok) return expectRefused(collected, expected.reason as string)
    if (expected.empty) return expect(collected.answers).toEqual(['empty'])
    const [row] = collected.rows
    const value = (name: string): number => valueOf(collected.decoder, row, name)
    for (const [key, name] of [
      ['pm1', 'pm1'],
      ['pm25', 'pm2_5'],
      ['pm4', 'pm4'],
      ['pm10', 'pm10'],
    ])
      expect(Math.abs(value(name) - (expected[key] as number))).toBeLessThanOrEqual(tolerance)
    // The vector counts 'up to' per cm³; a count channel is 'larger than' per 0.1 L, which is 100 cm³.
    const upTo = { n05: 'n0_5', n1: 'n1', n25: 'n2_5', n4: 'n4' }
    for (const [key, name] of Object.entries(upTo))
      expect(Math.abs((value('n0_3') - value(name)) / 100 - (expected[key] as number))).toBeLessThanOrEqual(
        1e-6,
      )
    expect(value('n0_3') / 100).toBeCloseTo(expected.n10 as number, 6)
    expect(row.at(-1)).toBe(expected.state)
  })

  it.each(titled('frame/c-command'))('%s', (_, { inputs, expected }) => {
    const names: Record<string, CommandName> = {
      'start-float': 'start',
      stop: 'stop',
      read: 'read',
      'fan-clean': 'clean',
    }
    const name = names[inputs.command]
    expect(stuffedFrame(framing, hex(inputs.bodyHex!))).toEqual(hex(expected.hex as string))
    if (name) expect(command(c, name)).toEqual(hex(expected.hex as string))
  })

  it.each(titled('frame/c-stuff'))('%s', (_, { inputs, expected }) => {
    expect(stuff(framing, hex(inputs.hex))).toEqual(hex(expected.hex as string))
  })
})

describe.skipIf(all.length === 0)('the list of vectors', () => {
  it('has no frame topic that no test looks at', () => {
    const known = ['decode', 'plausible', 'stream', 'command', 'ack', 'stuff'].flatMap((kind) =>
      ['a', 'b', 'c'].map((layout) => `frame/${layout}-${kind}`),
    )
    const topics = new Set(all.map(({ topic }) => topic).filter((topic) => topic.startsWith('frame/')))
    expect([...topics].filter((topic) => !known.includes(topic))).toEqual([])
  })
})
