/**
 * Inputs that nobody meant, made of good ones: the same seed makes the same inputs. `throughAll` is the one way of the fuzz
 * tests to use them.
 *   FUZZ_SEED=… repeats a run, FUZZ_TIMES=10 makes each ten times longer
 */
import { seededRandom } from '../../agent/simulation/random.js'

/** Numbers as text, for a place where a number stands. */
const oddNumbers: readonly string[] = [
  ...[
    'NaN',
    'Infinity',
    '-0',
    '1e308',
    '1e999',
    '-1e999',
    '-1',
    '0',
    '1e21',
    '1e-7',
    '007',
    '+5',
    '0x10',
    '٣',
  ],
  ...[
    '9007199254740991',
    '9007199254740993',
    '-9007199254740993',
    '4294967296',
    '2147483648',
    '65536',
    '256',
  ],
  ...['253402300800', '8640000000000001', '-8640000000000001', '99999999999999999999', '1.005', '35,5', '""'],
  ...['null', 'true', '[]', '{}', '1'.repeat(400), '[[1]]', '{"toString":1}'],
]

/** Texts that have hurt programs before. */
export const oddTexts: readonly string[] = [
  ...[
    '',
    ' ',
    '.',
    '..',
    '../../etc/passwd',
    'a/b',
    '/',
    '\\',
    '<script>',
    '%2e%2e',
    '%',
    '%00',
    '%zz',
    '=1+1',
  ],
  ...['__proto__', 'constructor', 'toString', 'hasOwnProperty', 'valueOf', 'NaN', 'null', 'x'.repeat(300)],
  ...['\u0000', '\n', '\r\n', '\u001b[2J', '\u202e', '\u2028', '\ufeff', '\ud800', '\udfff', '𝟘', 'ﬁ', 'İ'],
  ...[
    '"',
    "'",
    ',',
    ';',
    ':',
    '#',
    '+',
    '*',
    '2026-02-30T00:00:00Z',
    '9999-12-31T23:59:59Z',
    '0000-01-01T00:00:00Z',
  ],
]

const oddValues: readonly unknown[] = [
  ...[
    null,
    true,
    false,
    0,
    -0,
    -1,
    1.005,
    1e308,
    -1e308,
    2 ** 53,
    2 ** 53 + 2,
    8.64e15 + 1,
    253_402_300_800,
    5e-324,
  ],
  ...[[], [[]], {}, { v: 1 }, { toString: 1 }, { length: 1e9 }, [null], { constructor: { name: 'x' } }],
]

export class Mutations {
  readonly next: () => number

  constructor(seed: number) {
    const random = seededRandom(seed)
    this.next = () => random.next()
  }

  /** 0 to n - 1. */
  pick(n: number): number {
    return Math.floor(this.next() * n)
  }

  /** True once in `n`. */
  once(n: number): boolean {
    return this.pick(n) === 0
  }

  of<T>(list: readonly T[]): T {
    return list[this.pick(list.length)]
  }

  noise(mostBytes = 200): Buffer {
    return Buffer.from(Array.from({ length: this.pick(mostBytes + 1) }, () => this.pick(256)))
  }

  /** Bit flips, overwrites, cuts, splices, doubled blocks, odd numbers and texts where such stand; now and then several. */
  bent(bytes: Uint8Array, other: Uint8Array = bytes): Buffer {
    let bent: Buffer = Buffer.from(bytes)
    for (let n = 1 + this.pick(4); n > 0; n--) bent = this.bentOnce(bent, other)
    return bent
  }

  private bentOnce(bytes: Buffer, other: Uint8Array): Buffer {
    const at = this.pick(bytes.length + 1)
    const end = Math.min(bytes.length, at + this.pick(40))
    const without = (put: Uint8Array) => Buffer.concat([bytes.subarray(0, at), put, bytes.subarray(end)])
    const acts: readonly (() => Buffer)[] = [
      () => this.flipped(bytes),
      () => this.flipped(bytes),
      () => without(new Uint8Array(0)),
      () => without(this.noise(16)),
      () => without(Buffer.alloc(end - at, this.pick(256))),
      () => bytes.subarray(0, at),
      () => bytes.subarray(at),
      // A block again, many times at most.
      () =>
        Buffer.concat([
          bytes.subarray(0, end),
          ...Array<Buffer>(1 + this.pick(20)).fill(bytes.subarray(at, end)),
        ]),
      () => Buffer.concat([bytes.subarray(0, at), other.subarray(this.pick(other.length + 1))]),
      () => this.reworded(bytes, /-?\d+(\.\d+)?/g, this.of(oddNumbers)),
      () => this.reworded(bytes, /"[^"]*"/g, JSON.stringify(this.of(oddTexts))),
      () => this.reworded(bytes, /[A-Za-z_]+/g, this.of(oddTexts)),
      () =>
        without(
          Buffer.from(this.of(['[', '{', '"', '{"a":', ',', '\n', '\\', ']', '}']).repeat(1 + this.pick(60))),
        ),
    ]
    return this.of(acts)()
  }

  private flipped(bytes: Buffer): Buffer {
    const flipped = Buffer.from(bytes)
    for (let n = 1 + this.pick(4); n > 0 && flipped.length > 0; n--)
      flipped[this.pick(flipped.length)] ^= 1 << this.pick(8)
    return flipped
  }

  /** One of what a shape finds, the first behind some place, as something else. */
  private reworded(bytes: Buffer, shape: RegExp, word: string): Buffer {
    const text = bytes.toString('latin1')
    shape.lastIndex = this.pick(text.length + 1)
    const found = shape.exec(text)
    if (!found) return bytes
    const { index, 0: old } = found
    return Buffer.concat([bytes.subarray(0, index), Buffer.from(word), bytes.subarray(index + old.length)])
  }

  bentText(text: string): string {
    return this.once(3) ? this.bentUnits(text) : this.bent(Buffer.from(text)).toString()
  }

  /** Halves of pairs come only so: bytes hold none. */
  private bentUnits(text: string): string {
    const at = this.pick(text.length + 1)
    return text.slice(0, at) + this.of(oddTexts) + text.slice(at + this.pick(8))
  }

  /** A value like a given one, in form, with some of its parts odd, gone, doubled, or under another key. */
  bentValue(value: unknown): unknown {
    if (this.once(12)) return this.odd()
    if (Array.isArray(value)) {
      const bent = value.map((one) => (this.once(3) ? this.bentValue(one) : one) as unknown)
      if (this.once(8)) bent.push(this.odd())
      if (this.once(20)) return Array<unknown>(1 + this.pick(300)).fill(bent[0])
      return this.once(8) ? bent.slice(this.pick(bent.length + 1)) : bent
    }
    if (typeof value !== 'object' || value === null) return this.once(3) ? this.odd() : value
    return this.bentMap(value as Record<string, unknown>)
  }

  private bentMap(map: Record<string, unknown>): unknown {
    const entries = Object.entries(map).flatMap(([key, value]): [string, unknown][] => {
      if (this.once(15)) return []
      const name = this.once(15) ? this.of(oddTexts) : key
      return [[name, this.once(2) ? this.bentValue(value) : value]]
    })
    if (this.once(6)) entries.push([this.of(oddTexts), this.odd()])
    // As JSON.parse does it: a key '__proto__' becomes a property of its own.
    return Object.fromEntries(entries)
  }

  /** A value like a given one with one part of it changed: most of it still passes where it passed before. */
  bentPart(value: unknown): unknown {
    const isMap = typeof value === 'object' && value !== null
    if (!isMap || this.once(8)) return this.bentLeaf(value)
    const keys = Object.keys(value)
    if (keys.length === 0) return this.odd()
    const key = this.of(keys)
    const part = this.bentPart((value as Record<string, unknown>)[key])
    if (Array.isArray(value)) return value.map((one: unknown, i) => (String(i) === key ? part : one))
    const entries = Object.entries(value).filter(([name]) => name !== key || !this.once(8))
    return Object.fromEntries(
      entries.map(([name, one]: [string, unknown]) => [name, name === key ? part : one]),
    )
  }

  private bentLeaf(value: unknown): unknown {
    if (typeof value === 'number' && this.once(2)) return value * 10 ** (this.pick(9) - 4)
    return typeof value === 'string' && this.once(2) ? this.bentText(value) : this.odd()
  }

  odd(): unknown {
    if (this.once(30)) return nested(this.pick(400))
    if (this.once(40)) return 'long '.repeat(this.pick(2000))
    return this.once(2) ? this.of(oddTexts) : this.of(oddValues)
  }
}

const nested = (depth: number): unknown => JSON.parse('[{"a":'.repeat(depth) + '1' + '}]'.repeat(depth))

export const freshSeed = Number(process.env.FUZZ_SEED ?? Date.now() % 2 ** 31)
const times = Number(process.env.FUZZ_TIMES ?? 1)

export interface Fuzz<T, End = string> {
  /** Said beside the seed. */
  readonly what: string
  readonly inputs: number
  /** What once failed, by seed and number: it is held first. Void where `make` is changed. */
  readonly kept?: readonly (readonly [seed: number, n: number])[]
  readonly make: (mutations: Mutations, n: number) => T
  /** Throws where a promise is broken. @returns in a word what became of the input */
  readonly hold: (input: T) => End
}

/** As `expect`, where it is asked a million times. */
export function must(holds: boolean, broken: string): void {
  if (!holds) throw new Error(broken)
}

/** How many inputs came to which end. A failure names seed, number and input. */
export function throughAll<T>(fuzz: Fuzz<T>): Map<string, number> {
  const ends = new Ends(fuzz.what)
  for (const { input, where } of inputsOf(fuzz))
    try {
      ends.count(fuzz.hold(input))
    } catch (error) {
      throw broken(where, input, error)
    }
  return ends.told()
}

/** The same, one after the other, where what holds is known later. */
export async function throughAllInTurn<T>(fuzz: Fuzz<T, Promise<string>>): Promise<Map<string, number>> {
  const ends = new Ends(fuzz.what)
  for (const { input, where } of inputsOf(fuzz))
    try {
      ends.count(await fuzz.hold(input))
    } catch (error) {
      throw broken(where, input, error)
    }
  return ends.told()
}

function* inputsOf<T>({ what, inputs, kept = [], make }: Omit<Fuzz<T>, 'hold'>) {
  const where = (seed: number, n: number): string => `${what}: seed ${seed}, input ${n}`
  for (const [seed, at] of kept) {
    const mutations = new Mutations(seed)
    for (let n = 0; n < at; n++) make(mutations, n)
    yield { input: make(mutations, at), where: where(seed, at) }
  }
  const mutations = new Mutations(freshSeed)
  for (let n = 0; n < inputs * times; n++) yield { input: make(mutations, n), where: where(freshSeed, n) }
}

class Ends {
  private readonly ends = new Map<string, number>()

  constructor(what: string) {
    console.info(`${what}: FUZZ_SEED=${freshSeed}`)
  }

  count(end: string): void {
    this.ends.set(end, (this.ends.get(end) ?? 0) + 1)
  }

  told(): Map<string, number> {
    console.info(Object.fromEntries([...this.ends].sort(([, a], [, b]) => b - a)))
    return this.ends
  }
}

const broken = (where: string, input: unknown, error: unknown): Error =>
  new Error(`${where}: ${String(error)}\n${shown(input)}`, { cause: error })

function shown(input: unknown): string {
  const text = input instanceof Uint8Array ? Buffer.from(input).toString('base64') : JSON.stringify(input)
  return (text ?? String(input)).slice(0, 4000)
}

/** The longest text that was handed to JSON.parse while `work` ran: what is decoded was bounded before. */
export function longestParsed<T>(work: () => T): { readonly value: T; readonly characters: number } {
  const real = JSON.parse
  let characters = 0
  JSON.parse = (text: string, reviver?: Parameters<typeof real>[1]): unknown => {
    characters = Math.max(characters, text.length)
    return real(text, reviver)
  }
  try {
    return { value: work(), characters }
  } finally {
    JSON.parse = real
  }
}
