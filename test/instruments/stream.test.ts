import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  createDecoder,
  faultOfHeard,
  heardBetween,
  stuffedFrame,
  type Layout,
  type StuffedFraming,
} from '../../agent/instruments/instruments.js'
import { channelKinds, isBalanced } from '../../agent/terms/terms.js'
import {
  balances,
  collecting,
  goodFrames,
  hex,
  joined,
  layoutNamed,
  layouts,
  longestOf,
  numbered32,
  seededBytes,
  valueOf,
} from './layouts.js'
import { frameStandsAt } from './oracle.js'

const seed = Number(process.env.SEED ?? Date.now() % 2 ** 31)
console.info(`seed ${seed} (SEED=${seed} repeats it)`)

const binary = [...layouts.values()].filter(({ framing }) => framing.kind !== 'lines')
const a = layoutNamed('frames-424d-32')
const text = (line: string): Uint8Array => new TextEncoder().encode(line)

/** Junk of the nasty kind: random bytes, start bytes and pieces of true frames of the layout. */
function junkFor(layout: Layout): fc.Arbitrary<Uint8Array> {
  const [frame] = goodFrames(layout)
  const piece = fc
    .tuple(fc.nat(frame.length - 1), fc.nat(frame.length))
    .map(([from, to]) => frame.slice(from, Math.min(to, frame.length - 1)))
  const bytes = fc.uint8Array({ maxLength: 600 })
  const special = fc.uint8Array({ maxLength: 40 }).map((raw) => raw.map((byte) => frame[byte % 4]))
  return fc
    .array(fc.oneof(piece, bytes, special), { maxLength: 30 })
    .map((parts) => joined(...parts).slice(0, 4096))
}

describe.each(binary.map((layout) => [layout.name, layout] as const))('a stream of %s', (_, layout) => {
  const frames = goodFrames(layout)

  it('finds each good frame within one longest frame after any junk that holds none', () => {
    const alone = collecting(layout)
    alone.decoder.push(joined(...frames))
    fc.assert(
      fc.property(junkFor(layout), (junk) => {
        const whole = joined(junk, ...frames)
        fc.pre(!junk.some((__, at) => frameStandsAt(layout, whole, at)))
        const { decoder, rows } = collecting(layout)
        decoder.push(junk)
        expect(rows).toEqual([])
        frames.forEach((frame, i) => {
          decoder.push(frame)
          expect(rows.length).toBeGreaterThanOrEqual(i)
        })
        decoder.push(new Uint8Array(longestOf(layout)))
        expect(rows).toEqual(alone.rows)
        expect(balances(decoder.lineCounts())).toBe(true)
      }),
      { seed, numRuns: 300 },
    )
  })

  it('gives the same however it is cut, and holds less than one longest frame', () => {
    const pieces = fc.array(fc.oneof(junkFor(layout), fc.constantFrom(...frames)), { maxLength: 12 })
    fc.assert(
      fc.property(pieces, fc.array(fc.integer({ min: 1, max: 200 }), { minLength: 1 }), (parts, sizes) => {
        const whole = joined(...parts)
        const atOnce = collecting(layout)
        atOnce.decoder.push(whole)
        const cut = collecting(layout)
        for (let at = 0, n = 0; at < whole.length; at += sizes[n++ % sizes.length]) {
          cut.decoder.push(whole.subarray(at, at + sizes[n % sizes.length]))
          expect(cut.decoder.lineCounts().bytesHeld).toBeLessThan(longestOf(layout))
        }
        expect(cut.rows).toEqual(atOnce.rows)
        expect(cut.answers).toEqual(atOnce.answers)
        expect(cut.decoder.lineCounts()).toEqual(atOnce.decoder.lineCounts())
        expect(isBalanced(cut.decoder.counts())).toBe(true)
      }),
      { seed, numRuns: 200 },
    )
  })

  // Field case PC-09: garbage at the start, wrong speed, console text.
  it('gives no value from noise, console text and floods, tells it from silence, and takes the first good frame', () => {
    const { decoder, rows } = collecting(layout)
    expect(heardBetween(undefined, decoder.lineCounts())).toBe('nothing')
    const boot = '[    1.204500] usb 1-1: new full-speed USB device number 2\r\n'.repeat(400)
    for (const noise of [
      seededBytes(9, 65_536),
      text(boot),
      new Uint8Array(65_536),
      new Uint8Array(65_536).fill(255),
    ])
      decoder.push(noise)
    const afterNoise = decoder.lineCounts()
    expect(rows).toEqual([])
    expect(heardBetween(undefined, afterNoise)).toBe('bytes-without-frames')
    decoder.push(frames[0])
    expect(rows.length).toBe(1)
    expect(heardBetween(afterNoise, decoder.lineCounts())).toBe('frames')
    expect(balances(decoder.lineCounts())).toBe(true)
  })
})

describe('what is heard', () => {
  it('is told by different faults when nothing comes and when only garbage comes', () => {
    expect(faultOfHeard('nothing')).toBe('sensor-silent')
    expect(faultOfHeard('bytes-without-frames')).toBe('sensor-garbage')
    expect([faultOfHeard('answers-only'), faultOfHeard('frames')]).toEqual([undefined, undefined])
  })

  it('is answers only while a polled sensor has nothing new', () => {
    const { decoder, answers } = collecting(layoutNamed('stuffed-7e-floats'))
    decoder.push(hex('7E 00 03 00 00 FC 7E'))
    expect(answers).toEqual(['empty'])
    expect(heardBetween(undefined, decoder.lineCounts())).toBe('answers-only')
  })
})

describe('counts up to a size', () => {
  const c = layoutNamed('stuffed-7e-floats')

  /** A reply with all masses 5 µg/m³ and these counts up to 0.5, 1, 2.5, 4 and 10 µm, per cm³. */
  function reply(upTo: readonly number[]): Uint8Array {
    const view = new DataView(new ArrayBuffer(44))
    view.setUint32(0, 0x00030028)
    for (const [i, value] of [5, 5, 5, 5, ...upTo, 0.5].entries()) view.setFloat32(4 + 4 * i, value)
    return stuffedFrame(c.framing as StuffedFraming, new Uint8Array(view.buffer))
  }

  it('become counts larger than a size, within range in the dirtiest air', () => {
    const { decoder, rows } = collecting(c)
    decoder.push(reply([2000, 2500, 2750, 2875, 3000]))
    expect(rows[0].slice(4, 9)).toEqual([300_000, 100_000, 50_000, 25_000, 12_500])
    decoder.channels.forEach(({ name }, i) =>
      expect(rows[0][i]).toBeLessThanOrEqual(channelKinds[name].highest),
    )
  })

  it('are not below zero for the last bit of a float, and are for a true contradiction', () => {
    const { decoder, rows } = collecting(c)
    decoder.push(reply([20, 25, 28, 30.000001907, 30]))
    decoder.push(reply([20, 25, 28, 31, 30]))
    expect(rows.map((row) => valueOf(decoder, row, 'n4'))).toEqual([0, -100])
  })
})

describe('a decoder', () => {
  it('makes no new array for a reading', () => {
    const given = new Set<Float64Array>()
    const decoder = createDecoder(a, { sink: (values) => given.add(values) })
    for (let n = 0; n < 5; n++) decoder.push(numbered32(n))
    expect(given.size).toBe(1)
  })
})

describe('the 32-byte layout in the field', () => {
  // Field case PC-06: one lost byte inside a frame.
  it('loses exactly the damaged hundred of 1,000 frames that lack one byte in every tenth', () => {
    const { decoder, rows } = collecting(a)
    // A fixed seed: of all places one in some 65,000 leaves a sum that is right by chance.
    const places = seededBytes(6, 100)
    for (let n = 1; n <= 1000; n++) {
      const frame = numbered32(n)
      decoder.push(n % 10 === 0 ? frame.filter((_, i) => i !== places[n / 10 - 1] % 32) : frame)
    }
    decoder.dropPartial()
    const numbers = rows.map((row) => valueOf(decoder, row, 'pm2_5'))
    expect(numbers).toEqual(Array.from({ length: 1000 }, (_, i) => i + 1).filter((n) => n % 10 !== 0))
    expect(decoder.lineCounts()).toMatchObject({ framesGood: 900, disturbances: 100 })
  })

  // Field case PC-08: a length field that is nonsense.
  it('takes the frame right after a start with length FFFF', () => {
    const { decoder, rows } = collecting(a)
    decoder.push(joined(hex('42 4D FF FF'), numbered32(1), numbered32(2)))
    expect(rows.map((row) => valueOf(decoder, row, 'pm2_5'))).toEqual([1, 2])
    expect(decoder.lineCounts()).toMatchObject({ framesBadLength: 1, bytesDiscarded: 4 })
  })

  it('gives up a partial frame when told of a silence, and takes the next frame at once', () => {
    const { decoder, rows } = collecting(a)
    decoder.push(numbered32(1).subarray(0, 20))
    decoder.dropPartial()
    expect(decoder.lineCounts()).toMatchObject({ bytesHeld: 0, bytesDiscarded: 20, disturbances: 1 })
    expect(decoder.counts().refused['cut-short']).toBe(1)
    decoder.push(numbered32(2))
    expect(rows.map((row) => valueOf(decoder, row, 'pm2_5'))).toEqual([2])
  })

  it('finds an acknowledgement that a false start had swallowed when the line falls silent', () => {
    const { decoder, answers } = collecting(a)
    decoder.push(hex('42 4D 00 1C 42 4D 00 04 E4 00 01 77'))
    expect(answers).toEqual([])
    decoder.dropPartial()
    expect(answers).toEqual(['acknowledgement'])
    expect(balances(decoder.lineCounts())).toBe(true)
  })

  // Field case PC-13: chunk borders.
  it('gives 500 frames alike as single bytes, in blocks of three and split at each of the 32 places', () => {
    const stream = joined(...Array.from({ length: 500 }, (_, n) => numbered32(n)))
    const cut = (first: number, size: number): number[][] => {
      const { decoder, rows } = collecting(a)
      decoder.push(stream.subarray(0, first))
      for (let at = first; at < stream.length; at += size) decoder.push(stream.subarray(at, at + size))
      expect(decoder.lineCounts()).toMatchObject({ framesGood: 500, bytesDiscarded: 0, disturbances: 0 })
      return rows
    }
    const single = cut(0, 1)
    expect(cut(0, 96)).toEqual(single)
    for (let at = 0; at < 32; at++) expect(cut(at, 32)).toEqual(single)
  })
})

describe('text lines', () => {
  const layout = layoutNamed('text-lines-example')
  const line = 'PM2.5=0.0123 mg/m3, PM10=0.0310 mg/m3, T=68.0 F, RH=45.5 %, status 0\n'
  const expected = [12.3, 31, 20, 45.5, 0]

  it('are converted to the units of the channels', () => {
    const { decoder, rows } = collecting(layout)
    decoder.push(text(`\n${line}`))
    rows[0].forEach((value, i) => expect(value).toBeCloseTo(expected[i], 9))
  })

  it('are not believed before the first line end after the line was opened', () => {
    const { decoder, rows } = collecting(layout)
    decoder.push(text(line + line))
    expect(rows.length).toBe(1)
    decoder.lineOpened()
    decoder.push(text(line + line))
    expect(rows.length).toBe(2)
  })

  it('go on after a silence between them, and lose the line that a silence cut', () => {
    const { decoder, rows } = collecting(layout)
    decoder.push(text(line + line))
    decoder.dropPartial()
    decoder.push(text(line.slice(0, 30)))
    expect(rows.length).toBe(1)
    decoder.dropPartial()
    decoder.push(text(line.slice(30) + line))
    expect(rows.length).toBe(2)
  })

  it('are refused with a comma for a point, a damaged word or too great a length, never read in part', () => {
    const { decoder, rows } = collecting(layout)
    const spoilt = [line.replace('0.0123', '0,0123'), line.replace('PM10', 'PM1'), 'x'.repeat(500) + line]
    decoder.push(text(`\n${spoilt.join('')}${line}`))
    expect(rows.length).toBe(1)
    expect(decoder.lineCounts()).toMatchObject({ framesBadShape: 2, framesBadLength: 1 })
    expect(balances(decoder.lineCounts())).toBe(true)
  })
})
