/**
 * What faces the link, under bytes that nobody meant: packs bent in many ways, receipts, and plain noise. Nothing may throw, take
 * long or hold on; what is read must be what the vocabulary would write.
 *   FUZZ_SEED=… repeats a run, FUZZ_INPUTS=… makes it longer
 */
import { brotliCompressSync, brotliDecompressSync, constants } from 'node:zlib'
import { encode } from 'cborg'
import { describe, expect, it } from 'vitest'
import { seededRandom } from '../../agent/simulation/random.js'
import { parseLine, type ColumnSet } from '../../agent/terms/terms.js'
import { compressedMark, makePack, readPack, readReceipt } from '../../agent/uplink/uplink.js'
import { madeBoot, madeDay, madeSet } from '../support/made-lines.js'

const inputs = Number(process.env.FUZZ_INPUTS ?? 100_000)
const freshSeed = Number(process.env.FUZZ_SEED ?? Date.now() % 2 ** 31)
/** Seeds that once failed are run first, each for a tenth. */
const keptSeeds: readonly number[] = []

type Pick = (n: number) => number

const content = { group: 'g', station: 's', storeId: 'store-1', boot: madeBoot, sets: [madeSet] }
const lines = madeDay(5, 2)
const plainCbor = makePack({ ...content, lines }, { encoding: 'cbor', compress: false })
const plainJson = makePack({ ...content, lines }, { encoding: 'json', compress: false })
const packed = makePack({ ...content, lines }, { encoding: 'cbor', compress: true })
const entries = JSON.parse(Buffer.from(plainJson).toString()) as Record<string, unknown>[]

/** Values that have hurt programs before. */
const awkward: readonly unknown[] = [
  ...[NaN, Infinity, -0, 1e308, -1, 2 ** 53, 253_402_300_800, 1.005, null, true, '', '../../etc/passwd'],
  ...['<script>', 'a/b', '.', '..', 'x'.repeat(300), '\u0000', '𝟘', 'record,1', [], [[]], {}, { v: 1 }],
  ...['__proto__', 'constructor', -5, 268_435_455, 268_435_456],
]

/** Flips, cuts, doubles and overwrites some bytes. */
function bend(bytes: Uint8Array, pick: Pick): Uint8Array {
  const bent = Buffer.from(bytes)
  for (let n = 1 + pick(8); n > 0; n--) {
    const at = pick(bent.length)
    const acts = [
      () => (bent[at] ^= 1 << pick(8)),
      () => (bent[at] = pick(256)),
      () => bent.copy(bent, at, pick(bent.length)),
      () => bent.fill(pick(256), at, Math.min(bent.length, at + pick(32))),
    ]
    acts[pick(acts.length)]()
  }
  return pick(4) === 0 ? bent.subarray(0, pick(bent.length)) : bent
}

/** A pack whose entries are in form, but say what no station says. */
function bendEntries(pick: Pick): Record<string, unknown>[] {
  const bent = entries.map((entry) => ({ ...entry }))
  for (let n = 1 + pick(4); n > 0; n--) {
    const entry = bent[pick(bent.length)]
    const keys = Object.keys(entry)
    const key =
      pick(6) === 0 ? ['n', 'v', 'vs', 't', 'bt', 'bn', 'bver', 'x_'][pick(8)] : keys[pick(keys.length)]
    const acts = [
      () => (entry[key] = awkward[pick(awkward.length)]),
      () => delete entry[key],
      () => bent.splice(pick(bent.length), 1),
      () => bent.push({ ...bent[pick(bent.length)] }),
    ]
    acts[pick(acts.length)]()
  }
  return bent
}

const asJson = (value: unknown): Uint8Array => Buffer.from(JSON.stringify(value))
const asCbor = (value: unknown): Uint8Array => encode(value)
const quick = { params: { [constants.BROTLI_PARAM_QUALITY]: 1 } }
const compressed = (bytes: Uint8Array): Uint8Array =>
  Buffer.concat([compressedMark, brotliCompressSync(bytes, quick)])

const makers: readonly ((pick: Pick) => Uint8Array)[] = [
  (pick) => bend(plainCbor, pick),
  (pick) => bend(plainJson, pick),
  (pick) => bend(packed, pick),
  (pick) => asJson(bendEntries(pick)),
  (pick) => asCbor(bendEntries(pick)),
  (pick) => Uint8Array.from({ length: pick(200) }, () => pick(256)),
  // Nested lists, and length heads that promise more than comes.
  (pick) => Buffer.alloc(1 + pick(3000), [0x81, 0x9f, 0x5b, 0xbb, 0xc4, 0x9b][pick(6)]),
]

/** What is read is canonical, of one boot, each number once: else an archive would keep what no station wrote. */
function holds(bytes: Uint8Array): 'read' | string {
  const read = readPack(bytes)
  if (!read.ok) {
    expect(read.fault.code).toBe('pack-refused')
    expect(read.fault.detail.length).toBeLessThan(500)
    return read.fault.detail.split(':')[0]
  }
  const sets = new Map<string, ColumnSet>(read.value.sets.map((set) => [set.id, set]))
  const numbers = read.value.lines.map(({ seq }) => seq)
  if (new Set(numbers).size !== numbers.length) throw new Error('a number twice')
  for (const { seq, text } of read.value.lines) {
    const line = parseLine(text, sets)
    if (line?.seq !== seq) throw new Error(`not canonical: ${text}`)
    if ('boot' in line && line.boot !== read.value.boot) throw new Error(`another boot: ${text}`)
  }
  return 'read'
}

function run(seed: number, count: number): Map<string, number> {
  const random = seededRandom(seed)
  const pick: Pick = (n) => Math.floor(random.next() * n)
  const answers = new Map<string, number>()
  for (let n = 0; n < count; n++) {
    const input = makers[pick(makers.length)](pick)
    const bytes = pick(10) === 0 ? compressed(input) : input
    try {
      const answer = holds(bytes)
      answers.set(answer, (answers.get(answer) ?? 0) + 1)
    } catch (error) {
      const hex = Buffer.from(bytes).toString('hex').slice(0, 4000)
      throw new Error(`seed ${seed}, input ${n}: ${(error as Error).message}\n${hex}`, { cause: error })
    }
  }
  return answers
}

describe('packs that nobody meant', () => {
  it(`are read or refused with a reason of the list, a hundred thousand of them`, () => {
    console.info(`seed ${freshSeed}`)
    for (const seed of keptSeeds) run(seed, inputs / 10)
    const answers = run(freshSeed, inputs)
    console.info(Object.fromEntries([...answers].sort(([, a], [, b]) => b - a)))
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
  it('are read or refused, fifty thousand of them', () => {
    console.info(`seed ${freshSeed}`)
    const random = seededRandom(freshSeed ^ 0x5eed)
    const pick: Pick = (n) => Math.floor(random.next() * n)
    const whole = asJson({
      v: 1,
      stores: { 'store-1': { contiguous: 10, ranges: [[12, 20]] }, 'store-2': { contiguous: 0, ranges: [] } },
    })
    let read = 0
    for (let n = 0; n < inputs / 2; n++) {
      const receipt = readReceipt(bend(whole, pick), 'store-1')
      if (!receipt) continue
      read++
      const flat = receipt.ranges.flat()
      if (![receipt.contiguous, ...flat].every((seq) => Number.isSafeInteger(seq) && seq >= 0))
        throw new Error(`input ${n}: ${JSON.stringify(receipt)}`)
    }
    expect(read).toBeGreaterThan(inputs / 500)
  }, 120_000)
})
