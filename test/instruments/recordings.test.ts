import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, it } from 'vitest'
import { readRecording, type Recording } from '../../agent/instruments/instruments.js'
import { balances, collecting, joined, layoutNamed, layouts, type Collected } from './layouts.js'

/**
 * Each folder of test/recordings is a test: recording.hex is what came from the line, expected.csv the readings and
 * counts.yaml the numbers that must come of it. REBUILD_RECORDINGS=1 rewrites the last two; the commit says why.
 */
const folder = join(import.meta.dirname, '../recordings')
const names = readdirSync(folder).filter((name) => existsSync(join(folder, name, 'recording.hex')))
const rebuild = process.env.REBUILD_RECORDINGS === '1'

function recordingOf(name: string): Recording {
  const read = readRecording(readFileSync(join(folder, name, 'recording.hex'), 'utf8'))
  if (!read.ok) throw new Error(`${name}: line ${read.line} ${read.words}`)
  return read.recording
}

function fed(recording: Recording, pieces: Iterable<Uint8Array>): Collected {
  const collected = collecting(layoutNamed(recording.header.layout))
  for (const piece of pieces) collected.decoder.push(piece)
  return collected
}

const csv = ({ decoder, rows }: Collected): string =>
  [[...decoder.channels.map(({ key }) => key), 'error'], ...rows].map((row) => row.join(',') + '\n').join('')

const countsText = ({ decoder }: Collected): string =>
  Object.entries(decoder.lineCounts())
    .map(([key, count]) => `${key}: ${count}\n`)
    .join('')

describe.each(names)('recording %s', (name) => {
  const recording = recordingOf(name)
  const whole = joined(...recording.chunks.map(({ bytes }) => bytes))
  const asItCame = fed(
    recording,
    recording.chunks.map(({ bytes }) => bytes),
  )
  const expectedFile = (file: string, text: string): string => {
    if (rebuild) writeFileSync(join(folder, name, file), text)
    return readFileSync(join(folder, name, file), 'utf8')
  }

  it('gives the expected readings and counts', () => {
    expect(csv(asItCame)).toBe(expectedFile('expected.csv', csv(asItCame)))
    expect(countsText(asItCame)).toBe(expectedFile('counts.yaml', countsText(asItCame)))
    expect(balances(asItCame.decoder.lineCounts())).toBe(true)
  })

  it('gives the same byte by byte and split at every place', () => {
    const same = (pieces: Iterable<Uint8Array>): void => {
      const again = fed(recording, pieces)
      expect(again.rows).toEqual(asItCame.rows)
      expect(again.decoder.lineCounts()).toEqual(asItCame.decoder.lineCounts())
    }
    same([whole])
    same(Array.from(whole, (byte) => Uint8Array.of(byte)))
    // Long recordings are split at every 61st place: a prime, so that all places in a frame come up.
    for (let at = 1; at < whole.length; at += whole.length > 4096 ? 61 : 1)
      same([whole.subarray(0, at), whole.subarray(at)])
  })
})

describe('the recordings', () => {
  it.each([...layouts.keys()])('have one of layout %s for each kind of trouble', (layout) => {
    for (const kind of ['clean', 'junk', 'corrupted', 'two-in-a-chunk', 'truncated', 'odd-pieces'])
      expect(names).toContain(`${layout}-${kind}`)
  })
})
