/** Sensors that say anything, layouts and recordings that anybody wrote: no value without a frame that stands in the bytes. */
import { describe, expect, it } from 'vitest'
import {
  createDecoder,
  readLayout,
  readRecording,
  recognise,
  recordingChunk,
  recordingHead,
} from '../../agent/instruments/instruments.js'
import { must, throughAll } from '../support/mutations.js'
import {
  balances,
  collecting,
  goodFrames,
  joined,
  layouts,
  longestOf,
  parsedLayout,
  seededBytes,
} from './layouts.js'
import { frameStandsAt } from './oracle.js'

const all = [...layouts.values()]

describe.each(all.map((layout) => [layout.name, layout] as const))(
  'a sensor of %s that says anything',
  (_, layout) => {
    it('gives no reading but of frames that stand in the bytes, counts each byte once, and holds no more than a frame', () => {
      const whole = Buffer.from(joined(...goodFrames(layout), ...goodFrames(layout)))
      const ends = throughAll({
        what: 'sensors',
        inputs: 1500,
        make: (mutations) => {
          const bytes = mutations.once(20)
            ? mutations.noise(2000)
            : mutations.bent(whole, mutations.noise(300))
          return { bytes, cut: mutations.pick(bytes.length + 1), isEnded: mutations.once(3) }
        },
        hold: ({ bytes, cut, isEnded }) => {
          const { decoder, rows, answers } = collecting(layout)
          decoder.push(bytes.subarray(0, cut))
          decoder.push(bytes.subarray(cut))
          if (isEnded) decoder.dropPartial()
          const counts = decoder.lineCounts()
          must(balances(counts) && counts.bytesTaken === bytes.length, JSON.stringify(counts))
          must(counts.bytesHeld <= longestOf(layout), `${counts.bytesHeld} bytes are held`)
          const standing = layout.framing.kind === 'lines' ? linesIn(bytes) : framesIn(bytes)
          must(rows.length + answers.length <= standing, `${rows.length} readings of ${standing} frames`)
          for (const row of rows)
            must(
              row.every((value) => Math.abs(value) !== Infinity),
              row.join(' '),
            )
          return rows.length > 0 ? 'read' : 'nothing'
        },
      })
      expect(ends.get('read')).toBeGreaterThan(300)
    })

    const framesIn = (bytes: Uint8Array): number =>
      bytes.filter((__, at) => frameStandsAt(layout, bytes, at)).length
    const linesIn = (bytes: Uint8Array): number => bytes.filter((byte) => byte === 10 || byte === 13).length
  },
)

describe('what is heard on an unknown line', () => {
  it('is looked at to a bound, and explained by no more than all of it', () => {
    const frames = all.map((layout) => Buffer.from(joined(...goodFrames(layout))))
    throughAll({
      what: 'recognition',
      inputs: 400,
      make: (mutations) => mutations.bent(mutations.of(frames), mutations.of(frames)),
      hold: (bytes) => {
        const found = recognise(bytes, all)
        for (const one of found)
          must(one.shareExplained > 0 && one.shareExplained <= 1, `${one.shareExplained}`)
        return found[0]?.sure ?? 'nothing'
      },
    })
  })
})

describe('a layout that anybody wrote', () => {
  it('is refused with its faults, or makes a decoder that decodes', () => {
    const parsed = [...layouts.keys()].map(parsedLayout)
    const ends = throughAll({
      what: 'layouts',
      inputs: 6000,
      make: (mutations) =>
        mutations.once(3)
          ? mutations.bentValue(mutations.of(parsed))
          : mutations.bentPart(mutations.of(parsed)),
      hold: (value) => {
        const read = readLayout(value)
        if (!read.ok) {
          must(read.faults.length > 0, 'refused without a fault')
          return 'refused'
        }
        const decoder = createDecoder(read.layout, { sink: () => undefined })
        decoder.push(seededBytes(3, 300))
        must(balances(decoder.lineCounts()), JSON.stringify(decoder.lineCounts()))
        return 'read'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(100)
    expect(ends.get('refused')).toBeGreaterThan(1000)
  })
})

describe('a recording that anybody wrote', () => {
  it('is refused with its line, or is what would be written of it', () => {
    const header = {
      layout: 'frames-424d-32',
      line: '9600 8N1',
      start: '2026-03-01T00:00:00Z',
      special: 'none',
    }
    const text =
      recordingHead(header) + recordingChunk(0, seededBytes(1, 70)) + recordingChunk(1.25, seededBytes(2, 7))
    throughAll({
      what: 'recordings',
      inputs: 5000,
      make: (mutations) => mutations.bentText(text),
      hold: (bent) => {
        const read = readRecording(bent)
        if (!read.ok) {
          must(read.line >= 1 && read.line <= bent.split('\n').length, `line ${read.line}`)
          return 'refused'
        }
        const again = readRecording(
          recordingHead(read.recording.header) +
            read.recording.chunks.map(({ seconds, bytes }) => recordingChunk(seconds, bytes)).join(''),
        )
        const bytesOf = (one: typeof again) =>
          one.ok ? Buffer.concat(one.recording.chunks.map(({ bytes }) => bytes)).toString('hex') : ''
        must(again.ok && bytesOf(again) === bytesOf(read), 'written again it is another')
        return 'read'
      },
    })
  })
})
