/**
 * Makes the invented recordings of this folder (recording.hex) and, beside each, the readings that were put into it
 * (expected.csv). The encoders here are written apart from the decoder, from the descriptions of the layouts, so that one
 * checks the other. Run with `node test/recordings/make.mjs`; it writes the same files each time. A recording from a real
 * line is just another folder and is not touched.
 *
 * After a change of the decoder `REBUILD_RECORDINGS=1 npx vitest run test/instruments` rewrites what is expected, counts
 * (counts.yaml) too; the commit says why it changed.
 */
import { mkdirSync, writeFileSync } from 'node:fs'

const here = new URL('.', import.meta.url)
const word = (n) => [(n >> 8) & 0xff, n & 0xff]
const sumOf = (bytes) => bytes.reduce((sum, byte) => sum + byte, 0)
const hex = (text) => text.split(' ').map((pair) => parseInt(pair, 16))

/** 42 4D, length word, words, 16-bit sum. */
function lengthWordFrame(payload) {
  const body = [0x42, 0x4d, ...word(payload.length + 2), ...payload]
  return [...body, ...word(sumOf(body))]
}

const masses = (r) => [...r.standard, ...r.atmospheric].flatMap(word)

const encoders = {
  'frames-424d-24': (r) => lengthWordFrame([...masses(r), ...[0, 0, 0].flatMap(word)]),
  'frames-424d-32': (r) => lengthWordFrame([...masses(r), ...r.counts.flatMap(word), 0x97, r.error]),
  'frames-424d-40': (r) =>
    lengthWordFrame([
      ...masses(r),
      ...r.counts.flatMap(word),
      ...word(3),
      ...word(r.tenths[0] & 0xffff),
      ...word(r.tenths[1]),
      ...word(0),
      0x97,
      r.error,
    ]),
  'frames-aac0-10': (r) => {
    const data = [...word(r.tenths[0]).reverse(), ...word(r.tenths[1]).reverse(), 0xa1, 0x60]
    return [0xaa, 0xc0, ...data, sumOf(data) & 0xff, 0xab]
  },
  'stuffed-7e-floats': (r) => stuffedReply(3, r.error, [...r.masses, ...r.perCm3, 0.5].flatMap(float)),
  'text-lines-example': (r) => [
    ...new TextEncoder().encode(
      `PM2.5=${r.milligrams[0]} mg/m3, PM10=${r.milligrams[1]} mg/m3, T=${r.fahrenheit} F, RH=${r.humidity} %, status ${r.error}\r\n`,
    ),
  ],
}

function float(value) {
  const view = new DataView(new ArrayBuffer(4))
  view.setFloat32(0, value)
  return [0, 1, 2, 3].map((i) => view.getUint8(i))
}

function stuffedReply(command, state, data) {
  const body = [0, command, state, data.length, ...data]
  const plain = [...body, 0xff - (sumOf(body) & 0xff)]
  const special = [0x7e, 0x7d, 0x11, 0x13]
  return [0x7e, ...plain.flatMap((b) => (special.includes(b) ? [0x7d, b ^ 0x20] : [b])), 0x7e]
}

/** The readings that a decoder must give, as a row of expected.csv: the values in channel order, then the error code. */
const rows = {
  'frames-424d-24': (r) => [...r.atmospheric, 0],
  'frames-424d-32': (r) => [...r.atmospheric, ...r.counts, r.error],
  'frames-424d-40': (r) => [...r.atmospheric, ...r.counts, r.tenths[0] / 10, r.tenths[1] / 10, r.error],
  'frames-aac0-10': (r) => [r.tenths[0] / 10, r.tenths[1] / 10, 0],
  'stuffed-7e-floats': (r) => {
    const all = r.perCm3[4]
    return [...r.masses, all * 100, ...r.perCm3.slice(0, 4).map((upTo) => (all - upTo) * 100), r.error]
  },
  'text-lines-example': (r) => [
    r.milligrams[0] * 1000,
    r.milligrams[1] * 1000,
    ((r.fahrenheit - 32) * 5) / 9,
    Number(r.humidity),
    r.error,
  ],
}

const columns = {
  'frames-424d-24': 'pm1,pm2_5,pm10',
  'frames-424d-32': 'pm1,pm2_5,pm10,n0_3,n0_5,n1,n2_5,n5,n10',
  'frames-424d-40': 'pm1,pm2_5,pm10,n0_3,n0_5,n1,n2_5,n5,n10,temperature,humidity',
  'frames-aac0-10': 'pm2_5,pm10',
  'stuffed-7e-floats': 'pm1,pm2_5,pm4,pm10,n0_3,n0_5,n1,n2_5,n4',
  'text-lines-example': 'pm2_5,pm10,temperature,humidity',
}

/** Reading number i of a made air, with every kind of value a layout needs; all of them exact in binary or tenths. */
function reading(i, error = 0) {
  const fine = 8 + ((i * 7) % 23)
  const tenths = [fine * 10 + (i % 10), fine * 16 + (i % 7)]
  return {
    standard: [fine - 3, fine + 2, fine + 6],
    atmospheric: [fine - 3, fine, fine + 4],
    counts: [fine * 180 + i, fine * 52, fine * 9, fine, 3, i % 2],
    tenths: [225 - i * 90, 455 + i],
    pair: tenths,
    masses: [fine + 0.0625, fine + 1.1875, fine + 7.8125, fine + 7.875],
    perCm3: [fine * 4, fine * 4.5, fine * 4.625, fine * 4.75, fine * 4.8125],
    milligrams: [(fine / 1024).toFixed(4), (fine / 512).toFixed(4)],
    fahrenheit: (50 + i * 9).toFixed(1),
    humidity: (45.5 + i).toFixed(1),
    error,
  }
}

const lineSettings = (layout) => (layout === 'stuffed-7e-floats' ? '115200 8N1' : '9600 8N1')

/** A recording under way: chunks of bytes a second apart, and the rows that they must give. */
function recording(layout, name, special) {
  const chunks = []
  const expected = []
  const pick = (i, error) => {
    const r = reading(i, error)
    return layout === 'frames-aac0-10' ? { ...r, tenths: r.pair } : r
  }
  const frame = (i, error) => encoders[layout](pick(i, error))
  const self = {
    frame,
    bytes(...parts) {
      if (parts.flat().length > 0) chunks.push(parts.flat())
      return self
    },
    expect(i, error) {
      expected.push(rows[layout](pick(i, error)).join(','))
      return self
    },
    good(i, error) {
      return self.bytes(frame(i, error)).expect(i, error)
    },
    write() {
      const folder = new URL(`${layout}-${name}/`, here)
      mkdirSync(folder, { recursive: true })
      const head = `# layout: ${layout}\n# line: ${lineSettings(layout)}\n# start: 2026-03-01T00:00:00Z\n# special: ${special}\n`
      writeFileSync(new URL('recording.hex', folder), head + chunks.map(chunkText).join(''))
      writeFileSync(new URL('expected.csv', folder), [`${columns[layout]},error`, ...expected, ''].join('\n'))
    },
  }
  return self
}

function chunkText(bytes, seconds) {
  let text = `# +${seconds.toFixed(2)}\n`
  for (let at = 0; at < bytes.length; at += 32)
    text += bytes
      .slice(at, at + 32)
      .map((byte) => byte.toString(16).toUpperCase().padStart(2, '0'))
      .join(' ')
      .concat('\n')
  return text
}

/** One byte in the middle of the data changed. */
const damaged = (frame) => frame.with(frame.length >> 1, frame[frame.length >> 1] ^ 0x04)

/** Junk that looks like the beginning of a frame of the layout, and some that does not. */
const junk = {
  'frames-424d-24': hex('00 42 11 42 42 4D 00 14 00 FF'),
  'frames-424d-32': hex('00 42 11 42 42 4D 00 1C 00 FF'),
  'frames-424d-40': hex('00 42 11 42 42 4D 00 24 00 FF'),
  'frames-aac0-10': hex('00 AA 11 AA AA C0 AB FF AA'),
  'stuffed-7e-floats': hex('00 7D 11 7E 7E 00 03 FF 7D'),
  'text-lines-example': [...new TextEncoder().encode('=12 mg/m3, status 0\r\n# started\r\n')],
}

/** The six recordings that every layout has. Before the first line of text stands the end of a line nobody saw. */
function family(layout) {
  const start = (name, special) => {
    const made = recording(layout, name, special)
    return layout.startsWith('text') ? made.bytes(hex('30 0D 0A')) : made
  }
  start('clean', 'nothing; five readings a second apart').good(0).good(1).good(2).good(3).good(4).write()

  const noisy = start('junk', 'junk with false starts before, between and after the frames')
  noisy.bytes(junk[layout], noisy.frame(0)).expect(0)
  noisy.bytes(junk[layout]).good(1)
  noisy.bytes(junk[layout], noisy.frame(2), junk[layout]).expect(2).write()

  const corrupted = start('corrupted', 'the second of three frames has one changed byte')
  corrupted.good(0).bytes(damaged(corrupted.frame(1))).good(2).write()

  const together = start('two-in-a-chunk', 'two frames in each chunk')
  together.bytes(together.frame(0), together.frame(1)).expect(0).expect(1)
  together.bytes(together.frame(2), together.frame(3)).expect(2).expect(3).write()

  const cut = start('truncated', 'the second frame stops early, the last one never ends')
  cut.good(0).bytes(cut.frame(1).slice(0, -7), cut.frame(2))
  // A line of text that lost its end takes the next line with it: together they are one that does not match.
  if (!layout.startsWith('text')) cut.expect(2)
  cut.good(3).bytes(cut.frame(4).slice(0, -2)).write()

  const odd = start('odd-pieces', 'frames cut at odd places, as a slow reader sees them')
  const stream = [0, 1, 2, 3].flatMap((i) => odd.frame(i))
  let at = 0
  for (const size of [1, 3, 17, 5, 40, 2, 64, 11]) odd.bytes(stream.slice(at, (at += size)))
  odd.bytes(stream.slice(at)).expect(0).expect(1).expect(2).expect(3).write()
}

for (const layout of Object.keys(encoders)) family(layout)

recording('frames-424d-32', 'sleep', 'acknowledgements of passive mode, sleep and active mode between the frames; an error byte')
  .good(0)
  .bytes(hex('42 4D 00 04 E1 00 01 74'))
  .good(1, 3)
  .bytes(hex('42 4D 00 04 E4 00 01 77'))
  .bytes(hex('42 4D 00 04 E1 01 01 75'))
  .good(2)
  .write()

recording('frames-424d-32', 'console', 'the board printed its start-up messages on the line')
  .bytes([...new TextEncoder().encode('[    0.000000] Booting on CPU 0x0\r\n[    0.412345] serial0: ttyBM at MMIO\r\n')])
  .bytes([...new TextEncoder().encode('\r\nstation login: ')])
  .good(0)
  .good(1)
  .write()

recording('frames-aac0-10', 'sleep', 'replies to passive mode, sleep and wake between the frames')
  .good(0)
  .bytes(hex('AA C5 02 01 01 00 A1 60 05 AB'))
  .bytes(hex('AA C5 06 01 00 00 A1 60 08 AB'))
  .bytes(hex('AA C5 06 01 01 00 A1 60 09 AB'))
  .good(1)
  .write()

const polled = recording('stuffed-7e-floats', 'polled', 'start, nothing new twice, readings, a refused command, stop')
polled.bytes(stuffedReply(0, 0, [])).bytes(stuffedReply(3, 0, [])).good(0).bytes(stuffedReply(3, 0, []))
polled.bytes(stuffedReply(3, 0x43, [])).good(1, 0x80).bytes(stuffedReply(1, 0, [])).write()
