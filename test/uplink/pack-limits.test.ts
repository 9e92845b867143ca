import { brotliCompressSync } from 'node:zlib'
import { encode } from 'cborg'
import { describe, expect, it } from 'vitest'
import { columnSetText } from '../../agent/terms/terms.js'
import {
  compressedMark,
  makePack,
  readPack,
  usualPackLimits,
  type PackLimits,
} from '../../agent/uplink/uplink.js'
import { madeBoot, madeDay, madeSet } from '../support/made-lines.js'

const lines = madeDay(3, 20)
const content = { group: 'g', station: 's', storeId: 'store-1', boot: madeBoot, lines, sets: [madeSet] }
const cbor = makePack(content, { encoding: 'cbor', compress: false })
const json = makePack(content, { encoding: 'json', compress: false })

function reason(bytes: Uint8Array, limits: Partial<PackLimits> = {}): string {
  const read = readPack(bytes, { ...usualPackLimits, ...limits })
  if (read.ok) return 'read'
  expect(read.fault.code).toBe('pack-refused')
  return read.fault.detail.split(':')[0]
}

const compressed = (bytes: Uint8Array): Uint8Array =>
  Buffer.concat([compressedMark, brotliCompressSync(bytes)])
const hex = (text: string): Uint8Array => Uint8Array.from(Buffer.from(text.replaceAll(' ', ''), 'hex'))

type Entry = Record<string, unknown>
const basics: Entry[] = [
  { bver: 26, bn: 'g/s/', n: 'store', vs: 'store-1' },
  { n: 'boot', vs: madeBoot },
  { n: 'columns', vs: columnSetText(madeSet) },
]
const asJson = (...more: Entry[]): Uint8Array =>
  new TextEncoder().encode(JSON.stringify([...basics, ...more]))
/** One record of which only the fixed part is told. */
const record = (t: number, more: Entry = {}): Entry[] => [
  { bn: 'g/s/', n: 'set', t, vs: madeSet.id },
  { n: 'seq', t, v: 7 },
  { n: 'mono', t, v: 1.25 },
  { n: 'planned', t, v: 60 },
  { n: 'seconds', t, v: 60, ...more },
]
const start = 1_772_323_200

describe('unpacking', () => {
  it.each([
    ['cbor', cbor],
    ['json', json],
  ])('reads a pack at its limits and refuses it one below (%s)', (_, bytes) => {
    const read = readPack(bytes)
    expect(read.ok).toBe(true)
    expect(reason(bytes, { bytes: bytes.length })).toBe('read')
    expect(reason(bytes, { bytes: bytes.length - 1 })).toBe('too-long')
    expect(reason(bytes, { lines: lines.length })).toBe('read')
    expect(reason(bytes, { lines: lines.length - 1 })).toBe('too-many-items')
    expect(reason(bytes, { items: 1000 })).toBe('too-many-items')
    expect(reason(bytes, { depth: 1 })).toBe('too-deep')
  })

  it('stops decompressing at its limit, and at its ratio', () => {
    expect(reason(compressed(cbor), { plainBytes: cbor.length })).toBe('read')
    expect(reason(compressed(cbor), { plainBytes: cbor.length - 1 })).toBe('too-long')
    const bomb = compressed(new Uint8Array(50 << 20))
    expect(bomb.length).toBeLessThan(1000)
    expect(reason(bomb)).toBe('too-long')
    expect(reason(bomb, { ratio: 10 })).toBe('too-long')
  })

  it('refuses what is compressed wrongly, cut short or empty', () => {
    expect(reason(new Uint8Array(0))).toBe('cut-short')
    expect(reason(compressedMark)).toBe('not-brotli')
    expect(reason(Buffer.concat([compressedMark, cbor]))).toBe('not-brotli')
    expect(reason(compressed(cbor).subarray(0, 200))).toBe('not-brotli')
    expect(reason(cbor.subarray(0, cbor.length - 1))).toBe('cut-short')
    expect(reason(Buffer.concat([cbor, Buffer.from([0])]))).toBe('not-cbor')
    expect(reason(json.subarray(0, json.length - 4))).toBe('not-json')
  })

  it('says in few words what is wrong, however long the names are', () => {
    const read = readPack(
      asJson(...record(start, {}).map((one) => ('vs' in one ? { ...one, vs: 'long '.repeat(5000) } : one))),
    )
    expect(read.ok ? '' : read.fault.detail).toMatch(/^missing: column set long /)
    expect(read.ok ? 0 : read.fault.detail.length).toBeLessThan(250)
  })

  // Bytes as in RFC 8949.
  it.each([
    ['too-deep', '81'.repeat(100) + '00', 'arrays in arrays'],
    ['too-deep', 'c4'.repeat(100) + '00', 'tags in tags'],
    ['too-many-items', '9a ffffffff', 'a list of four billion'],
    ['too-many-items', '9b ffffffffffffffff', 'a list of 2^64'],
    ['too-many-items', 'bb 0fffffffffffffff', 'a map of 2^60'],
    ['cut-short', '81 7b 7fffffffffffffff 61', 'a text longer than the pack'],
    ['not-cbor', '9f ff', 'an indefinite list'],
    ['not-cbor', '81 1c', 'a reserved length'],
    ['not-cbor', '81 f6 00', 'bytes after the end'],
    ['not-senml', '81 00', 'an entry that is no map'],
    ['not-senml', 'a0', 'a map instead of a list'],
    ['not-cbor', '81 a2 00 61 61 00 61 62', 'a label twice'],
    ['not-cbor', '81 a1 02 f9 7e00', 'NaN'],
    ['not-cbor', '81 a1 02 f9 7c00', 'infinity'],
    ['not-cbor', '81 a1 02 c5 82 01 02', 'a tag that is not a decimal fraction'],
    ['bad-value', '81 a2 00 61 61 02 c4 82 19 0400 01', 'a huge exponent'],
    ['bad-value', '81 a2 00 61 61 02 c4 81 01', 'half a decimal fraction'],
    ['bad-value', '81 a1 00 01', 'a number as a name'],
    ['bad-value', '81 a2 00 61 61 02 f5', 'true as a number'],
    ['not-senml', '81 a1 81 00 01', 'a list as a label'],
  ])('refuses as %s: %s (%s)', (expected, bytes) => {
    expect(reason(hex(bytes))).toBe(expected)
  })

  it.each<[string, Entry[]]>([
    ['read', record(start)],
    ['read', [...record(start), { n: 'invented-later', t: start, v: 1 }]],
    ['read', [...record(start), { n: 'seconds', t: start + 60, v: 60 }]],
    ['bad-time', record(2 ** 28 - 1)],
    ['bad-time', record(start + 0.5)],
    ['bad-time', record(253_402_300_800)],
    ['stray-value', [...record(start), { n: 'pm1:mean', t: start + 60, v: 1 }]],
    ['stray-value', [...record(start), { n: 'marked', t: start + 60, vs: 'spike=1.0' }]],
    ['stray-value', [...record(start), { n: 'unknown:mean', t: start, v: 1 }]],
    ['twice', [...record(start), { n: 'seconds', t: start, v: 60 }]],
    ['twice', [{ n: 'boot', vs: madeBoot }]],
    [
      'twice',
      [
        { n: 'line', vs: 'skip,7,1,6,0' },
        { n: 'line', vs: 'skip,7,1,6,0' },
      ],
    ],
    ['missing', record(start).slice(1)],
    ['missing', record(start).filter((entry) => entry.n !== 'mono')],
    ['bad-value', record(start, { v: 60.05 })],
    ['bad-value', record(start, { v: 'sixty' })],
    ['bad-value', [...record(start), { n: 'excluded', t: start, v: 3 }]],
    ['bad-value', [{ n: 'line', v: 3 }]],
    ['not-canonical', [...record(start), { n: 'excluded', t: start, vs: 'stuck=3' }]],
    ['not-canonical', [{ n: 'line', vs: 'skip,07,1,6,0' }]],
    ['not-canonical', [{ n: 'line', vs: 'skip,0,1,6,0' }]],
    ['not-canonical', [{ n: 'columns', vs: 'columns,,nonsense' }]],
    ['mixed-boots', [{ n: 'line', vs: 'event,7,ffffffff,1.00,,started,' }]],
    ['bad-name', [{ bn: 'g/other/', n: 'line', vs: 'skip,7,1,6,0' }]],
    ['bad-name', [{ n: 'line with blanks', vs: 'x' }]],
    ['bad-name', [{ n: 'x'.repeat(300), vs: 'x' }]],
    ['version', [{ bver: 10, n: 'x', vs: 'x' }]],
    ['not-senml', [{ n: 'x', v: 1, vs: 'x' }]],
    ['must-understand', [{ n: 'x', v: 1, new_: 2 }]],
    ['read', [{ n: 'line', vs: 'skip,7,1,6,0', __proto: 1, toString: 2 }]],
  ])('answers %s: %j', (expected, entries) => {
    expect(reason(asJson(...entries))).toBe(expected)
  })

  it('refuses a pack without store or boot, or for names that cannot be', () => {
    const of = (...entries: Entry[]): Uint8Array => new TextEncoder().encode(JSON.stringify(entries))
    expect(reason(of())).toBe('bad-name')
    expect(reason(of(basics[1]))).toBe('bad-name')
    expect(reason(of(basics[0]))).toBe('missing')
    expect(reason(of({ ...basics[0], vs: '../../etc' }, basics[1]))).toBe('bad-value')
    expect(reason(of(basics[0], { n: 'boot', vs: 'BOOT' }))).toBe('bad-value')
  })

  it('reads numbers in any form that CBOR has for them, shortest or not, float or fraction', () => {
    const pack = [
      new Map<number, unknown>([
        [-1, 26],
        [-2, 'g/s/'],
        [0, 'store'],
        [3, 'store-1'],
      ]),
      ...[...basics.slice(1), ...record(start)].map(
        (entry) =>
          new Map(
            Object.entries(entry).map(([key, value]) => [{ n: 0, v: 2, vs: 3, t: 6, bn: -2 }[key], value]),
          ),
      ),
    ]
    for (const float64 of [true, false]) {
      const read = readPack(encode(pack, { float64 }))
      expect(read.ok && read.value.lines[0].text).toContain(',1.25,60.0,60.0,2026-03-01T00:00:00Z,')
    }
  })
})
