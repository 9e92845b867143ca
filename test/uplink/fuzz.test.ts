/**
 * What faces the link, under bytes that nobody meant: packs bent in many ways, receipts, and plain noise. Nothing may throw, take
 * long or hold on; what is read must be what the vocabulary would write, and go into the same pack again.
 * See test/support/mutations.ts
 */
import { brotliCompressSync, brotliDecompressSync, constants } from 'node:zlib'
import { encode } from 'cborg'
import { describe, expect, it } from 'vitest'
import { TimeTable } from '../../agent/store/time-table.js'
import { monoSeconds, parseLine, utcText, type ColumnSet } from '../../agent/terms/terms.js'
import { compressedMark, makePack, readPack, readReceipt, type Pack } from '../../agent/uplink/uplink.js'
import { mostRanges, mostReceiptStores, longestReceipt, twinFault } from '../../agent/uplink/receipt.js'
import { CommandLine } from '../../agent/uplink/command-line.js'
import type { Mutations } from '../support/mutations.js'
import { longestParsed, must, throughAll } from '../support/mutations.js'
import { madeBoot, madeDay, madeSet } from '../support/made-lines.js'

const inputs = 30_000

const content = { group: 'g', station: 's', storeId: 'store-1', boot: madeBoot, sets: [madeSet] }
const lines = madeDay(5, 2)
const plainCbor = makePack({ ...content, lines }, { encoding: 'cbor', compress: false })
const plainJson = makePack({ ...content, lines }, { encoding: 'json', compress: false })
const packed = makePack({ ...content, lines }, { encoding: 'cbor', compress: true })
const entries = JSON.parse(Buffer.from(plainJson).toString()) as Record<string, unknown>[]

const asJson = (value: unknown): Uint8Array => Buffer.from(JSON.stringify(value))
const asCbor = (value: unknown): Uint8Array => encode(value)
const quick = { params: { [constants.BROTLI_PARAM_QUALITY]: 1 } }
const compressed = (bytes: Uint8Array): Uint8Array =>
  Buffer.concat([compressedMark, brotliCompressSync(bytes, quick)])

/** Entries in form, of which one or two say what no station says: most of the others must still be read for that to be seen. */
function bentEntries(mutations: Mutations): unknown[] {
  const bent: unknown[] = entries.map((entry) => ({ ...entry }))
  for (let n = 1 + mutations.pick(2); n > 0; n--) {
    const at = mutations.pick(bent.length)
    const entry = { ...(bent[at] as Record<string, unknown>) }
    const key = mutations.of([...Object.keys(entry), 'n', 'v', 'vs', 't', 'bt', 'bn', 'bver', 'x_'])
    const acts = [
      () => (bent[at] = { ...entry, [key]: mutations.odd() }),
      () => (bent[at] = { ...entry, [key]: largeNumber(mutations) }),
      () => (bent[at] = { ...entry, [key]: mutations.bentText(JSON.stringify(entry[key] ?? 'x')) }),
      () => (bent[at] = mutations.bentValue(entry)),
      () => bent.splice(at, 1),
      () => bent.push(bent[at]),
    ]
    mutations.of(acts)()
  }
  return bent
}

const largeNumber = (mutations: Mutations): number => Math.round(10 ** (mutations.next() * 22) * 100) / 100

const makers: readonly ((mutations: Mutations) => Uint8Array)[] = [
  (mutations) => mutations.bent(plainCbor, packed),
  (mutations) => mutations.bent(plainJson, plainCbor),
  (mutations) => mutations.bent(packed, plainCbor),
  (mutations) => asJson(bentEntries(mutations)),
  (mutations) => asJson(bentEntries(mutations)),
  (mutations) => asCborOrJson(bentEntries(mutations)),
  (mutations) => mutations.noise(),
  // Nested lists, and length heads that promise more than comes.
  (mutations) => Buffer.alloc(1 + mutations.pick(3000), mutations.of([0x81, 0x9f, 0x5b, 0xbb, 0xc4, 0x9b])),
]

function asCborOrJson(value: unknown): Uint8Array {
  try {
    return asCbor(value)
  } catch {
    // Nested deeper than the encoder goes.
    return asJson(value)
  }
}

/** What is read is canonical, of one boot, each number once: else an archive would keep what no station wrote. */
function holds(bytes: Uint8Array): 'read' | string {
  const read = readPack(bytes)
  if (!read.ok) {
    must(read.fault.code === 'pack-refused', read.fault.code)
    must(read.fault.detail.length < 500, 'many words')
    return read.fault.detail.split(':')[0]
  }
  holdsLines(read.value)
  holdsTimes(read.value)
  return 'read'
}

function holdsLines(pack: Pack): void {
  const sets = new Map<string, ColumnSet>(pack.sets.map((set) => [set.id, set]))
  must(new Set(pack.lines.map(({ seq }) => seq)).size === pack.lines.length, 'a number twice')
  for (const { seq, text } of pack.lines) {
    const line = parseLine(text, sets)
    must(line?.seq === seq, `not canonical: ${text}`)
    must(!line || !('boot' in line) || line.boot === pack.boot, `another boot: ${text}`)
  }
  const again = readPack(makePack(pack, { encoding: 'cbor', compress: false }))
  must(again.ok && same(again.value, pack), 'packed again it is another')
}

const same = (a: Pack, b: Pack): boolean =>
  a.storeId === b.storeId &&
  `${a.group}/${a.station}` === `${b.group}/${b.station}` &&
  a.lines.map(({ text }) => text).join('\n') === b.lines.map(({ text }) => text).join('\n')

/** What is read has times that have a text, and lengths that no sum of hours chokes on. */
function holdsTimes({ lines: read }: Pack): void {
  const times = new TimeTable()
  for (const { line } of read) times.take(line)
  for (const { line } of read) {
    if (!('mono' in line)) continue
    const end = line.mono + (line.kind === 'record' ? line.seconds : 0)
    const placed = times.at(line.boot, monoSeconds(end))
    if (placed) utcText(placed.utc)
    must(
      line.kind !== 'record' || Math.max(line.seconds, line.planned) <= 7 * 86_400,
      'a record of more than a week',
    )
  }
}

describe('packs that nobody meant', () => {
  it(`are read or refused with a reason of the list`, () => {
    const answers = throughAll({
      what: 'packs',
      inputs,
      kept: [[396908808, 57_672]],
      make: (mutations) => {
        const input = mutations.of(makers)(mutations)
        return mutations.once(10) ? compressed(input) : input
      },
      hold: holds,
    })
    // The bending is neither too gentle nor too hard to be worth anything.
    expect(answers.get('read')).toBeGreaterThan(inputs / 200)
    expect(answers.size).toBeGreaterThan(12)
  }, 300_000)

  it('are refused before they are unfolded where they would grow a thousandfold', () => {
    const zeros = compressed(new Uint8Array(64 << 20))
    expect(zeros.length).toBeLessThan(20_000)
    expect(brotliDecompressSync(zeros.subarray(compressedMark.length)).length).toBe(64 << 20)
    const before = process.memoryUsage().arrayBuffers
    expect(holds(zeros)).toBe('too-long')
    expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(8 << 20)
  })

  it('cost a bounded number of names, however many they bring', () => {
    const names = Array.from({ length: 50_000 }, (_, i) => ({ n: `x${i}:mean`, t: 1_772_323_200, v: i }))
    expect(holds(asJson([...entries, ...names]))).toMatch(/stray-value|too-many-items|too-long/)
    const million = Array.from({ length: 1_000_000 }, (_, i) => ({ n: `x${i}`, v: 1 }))
    expect(holds(asJson(million))).toBe('too-long')
    expect(holds(compressed(asJson(million)))).toBe('too-long')
  })

  it('do not reach the prototype of anything', () => {
    for (const name of ['__proto__', 'constructor', 'toString']) {
      const bent = [...entries, { n: name, vs: 'x' }, { [name]: { polluted: 1 } }]
      expect(holds(asJson(bent))).not.toBe('read')
      expect(({} as Record<string, unknown>).polluted).toBeUndefined()
    }
  })
})

describe('receipts that nobody meant', () => {
  it('are read or refused', () => {
    const whole = {
      v: 1,
      stores: { 'store-1': { contiguous: 10, ranges: [[12, 20]] }, 'store-2': { contiguous: 0, ranges: [] } },
      growing: ['store-1', 'store-2'],
    }
    const bytes = asJson(whole)
    const ends = throughAll({
      what: 'receipts',
      inputs,
      make: (mutations) =>
        mutations.once(2)
          ? mutations.bent(bytes)
          : Buffer.from(JSON.stringify(mutations.bentValue(whole)) ?? ''),
      hold: (payload) => {
        const { value, characters } = longestParsed(() => ({
          receipt: readReceipt(payload, 'store-1'),
          twins: twinFault(payload, 'store-1'),
        }))
        must(characters <= longestReceipt, `${characters} characters were decoded`)
        const { receipt, twins } = value
        must(!twins || /^this store and [A-Za-z0-9, -]{4,4200}, as/.test(twins.detail), twins?.detail ?? '')
        if (!receipt) return twins ? 'twins only' : 'refused'
        const flat = receipt.ranges.flat()
        must(
          [receipt.contiguous, ...flat].every((seq) => Number.isSafeInteger(seq) && seq >= 0),
          'no numbers',
        )
        must(receipt.ranges.length <= mostRanges, 'more ranges than fit')
        must(
          flat.every((seq, i) => i === 0 || seq >= flat[i - 1]),
          'out of order',
        )
        return 'read'
      },
    })
    expect(ends.get('read')).toBeGreaterThan(inputs / 500)
  }, 120_000)

  it('are looked through no further than their bounds', () => {
    const stores = Object.fromEntries(
      Array.from({ length: mostReceiptStores + 1 }, (_, i) => [`store-${i}`, { contiguous: 1, ranges: [] }]),
    )
    expect(readReceipt(asJson({ v: 1, stores }), 'store-1')).toBeUndefined()
    const long = Buffer.from(`{"v":1,"stores":{},"x":"${'x'.repeat(longestReceipt)}"}`)
    expect(longestParsed(() => readReceipt(long, 'store-1')).characters).toBe(0)
    expect(longestParsed(() => twinFault(long, 'store-1')).characters).toBe(0)
  })
})

describe('what comes on the topic of commands', () => {
  it('is handed on with correlation data of a bounded length, and nothing else is', () => {
    const line = new CommandLine({ group: 'g', station: 's' }, () => undefined)
    let handed = 0
    line.taker = {
      wanted: () => true,
      busy: () => false,
      take: (_, { correlation }) => {
        handed++
        must((correlation?.length ?? 0) <= 256, 'a long correlation')
      },
    }
    throughAll({
      what: 'messages',
      inputs: 5000,
      make: (mutations) => ({
        topic: mutations.once(2) ? 'motepost/1/g/s/command' : mutations.bentText('motepost/1/g/s/command'),
        payload: mutations.noise(),
        retained: mutations.once(2),
        ...(mutations.once(2) ? { correlation: mutations.noise(600) } : {}),
      }),
      hold: (message) => {
        const before = handed
        const taken = line.hear(message)
        must(taken === (message.topic === 'motepost/1/g/s/command'), message.topic)
        must(handed === before + (taken ? 1 : 0), 'handed on otherwise')
        return taken ? 'handed on' : 'left'
      },
    })
  })
})
