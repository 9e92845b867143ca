import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { Backoff, isBalanced, monoSeconds, RangeSet } from '../../agent/terms/terms.js'
import { Ledger } from '../../agent/uplink/ledger.js'
import { readReceipt, receiptJson, receiptOf } from '../../agent/uplink/receipt.js'
import { repeatable } from '../support/made-lines.js'

const seed = Number(process.env.SEED ?? Math.floor(Math.random() * 2 ** 31))
console.info(`ledger properties: seed ${seed}`)

const options = { mostPackLines: 8, receipts: 'required', resendAfterSeconds: 100 } as const

type Act =
  | { kind: 'store' | 'take' | 'wait' | 'mark' | 'restart' | 'hole'; n: number }
  | { kind: 'land' | 'release' | 'refuse' | 'collect'; n: number }

const acts: fc.Arbitrary<Act[]> = fc.array(
  fc.record({
    kind: fc.constantFrom(
      'store',
      'take',
      'take',
      'wait',
      'mark',
      'land',
      'land',
      'release',
      'refuse',
      'collect',
      'restart',
      'hole',
    ),
    n: fc.nat(20),
  }),
  { maxLength: 120, size: 'max' },
) as fc.Arbitrary<Act[]>

/** A station and a collector reduced to numbers. */
class Model {
  ledger = new Ledger('s', options)
  now = monoSeconds(0)
  safe = 0
  flying: [number, number][] = []
  doubtful: [number, number][] = []
  readonly onWire: [number, number][] = []
  readonly far = new RangeSet()
  readonly holes = new RangeSet()

  do({ kind, n }: Act): void {
    if (kind === 'store') this.ledger.safeUpTo((this.safe += n))
    else if (kind === 'mark') this.ledger.markPresent()
    else if (kind === 'wait') this.wait(10 * n)
    else if (kind === 'take') this.take()
    else if (kind === 'collect') this.collect()
    else if (kind === 'restart') this.restart()
    else if (kind === 'hole') this.findHole()
    else this.end(kind, n)
  }

  private wait(seconds: number): void {
    this.now = monoSeconds(this.now + seconds)
    this.ledger.resendOverdue(this.now)
  }

  private take(): void {
    const doubtful = this.doubtful.shift()
    if (doubtful) return this.takeDoubtful(doubtful)
    const taken = this.ledger.takeOff()
    if (taken) this.flying.push([...taken.range])
  }

  private takeDoubtful(range: [number, number]): void {
    if (this.ledger.takeOffDoubtful(...range)) this.flying.push(range)
  }

  private end(kind: 'land' | 'release' | 'refuse', n: number): void {
    const [range] = this.flying.splice(n % Math.max(1, this.flying.length), 1)
    if (!range) return
    if (kind === 'release') this.ledger.release(...range)
    else if (kind === 'refuse') {
      this.ledger.doubt(...range)
      this.doubtful.push(range)
    } else {
      for (let seq = range[0]; seq <= range[1]; seq++)
        if (this.holes.has(seq)) this.ledger.setAside(seq, seq, 'no-line')
      this.onWire.push(...this.holes.gaps(...range))
      this.ledger.landed(...range, this.now)
    }
  }

  private collect(): void {
    for (const range of this.onWire.splice(0)) this.far.add(...range)
    this.ledger.receipt(receiptOf(this.far))
  }

  /** The first number of what is in flight turns out to have no line. */
  private findHole(): void {
    const [range] = this.flying
    if (!range || this.holes.count >= 5 || this.far.has(range[0])) return
    this.holes.add(range[0])
    this.ledger.setAside(range[0], range[0], 'no-line')
  }

  private restart(): void {
    const saved = JSON.parse(JSON.stringify(this.ledger.save())) as unknown
    this.flying = []
    this.doubtful = []
    this.ledger = new Ledger('s', options)
    this.ledger.restore(saved, this.now)
    this.ledger.safeUpTo(this.safe)
  }
}

describe('the ledger', () => {
  it('has every number in exactly one place, and calls away only what the collector has, whatever happens', () => {
    fc.assert(
      fc.property(acts, (list) => {
        const model = new Model()
        for (const act of list) {
          model.do(act)
          const counts = model.ledger.counts()
          expect(isBalanced(counts)).toBe(true)
          expect(counts.given).toBeLessThanOrEqual(model.far.count)
        }
      }),
      { seed, numRuns: 500 },
    )
  })

  it('brings everything away in the end, after whatever happened', () => {
    fc.assert(
      fc.property(acts, (list) => {
        const model = new Model()
        for (const act of list) model.do(act)
        const rounds = [...Array(400).keys()]
        for (const n of rounds)
          for (const kind of ['mark', 'take', 'land', 'collect', 'wait'] as const)
            model.do({ kind, n: kind === 'land' ? 0 : n })
        const { taken, given, held } = model.ledger.counts()
        expect({ taken, held }).toEqual({ taken: model.safe, held: 0 })
        expect(given).toBe(model.far.count)
      }),
      { seed, numRuns: 200 },
    )
  })

  it('takes the newest first once after each mark, then the oldest', () => {
    const ledger = new Ledger('s', options)
    ledger.safeUpTo(30)
    expect(ledger.takeOff()).toBeUndefined()
    ledger.markPresent()
    expect(ledger.takeOff()).toEqual({ range: [23, 30], newestFirst: true })
    expect(ledger.takeOff()).toEqual({ range: [1, 8], newestFirst: false })
    ledger.safeUpTo(33)
    expect(ledger.takeOff()?.range).toEqual([9, 16])
    ledger.markPresent()
    ledger.markPresent()
    expect(ledger.takeOff()).toEqual({ range: [31, 33], newestFirst: true })
    expect(ledger.takeOff()?.range).toEqual([17, 22])
    expect(ledger.takeOff()).toBeUndefined()
  })
})

describe('a receipt', () => {
  const numbers = fc.array(fc.tuple(fc.integer({ min: 1, max: 5000 }), fc.integer({ min: 0, max: 20 })), {
    maxLength: 100,
  })

  it('never names a number that is not there, and comes through the wire as it was', () => {
    fc.assert(
      fc.property(numbers, (pairs) => {
        const set = RangeSet.from(pairs.map(([from, more]) => [from, from + more] as const))
        const receipt = receiptOf(set)
        const read = readReceipt(receiptJson(new Map([['s', receipt]])), 's')
        expect(read).toEqual({
          contiguous: receipt.contiguous,
          ranges: receipt.ranges.map((range) => [...range]),
        })
        for (const [from, to] of [[1, receipt.contiguous] as const, ...receipt.ranges])
          expect(set.gaps(from, to)).toEqual([])
        if (set.ranges().length <= 64)
          expect(receipt.contiguous + RangeSet.from(receipt.ranges).count).toBe(set.count)
      }),
      { seed, numRuns: 300 },
    )
  })
})

describe('the back-off', () => {
  it('waits between one second and a ceiling that doubles up to its limit', () => {
    const random = { next: repeatable(seed) }
    const backoff = new Backoff({ firstSeconds: 5, mostSeconds: 900 }, random)
    for (let n = 0; n < 40; n++) {
      backoff.failed(monoSeconds(1000))
      const wait = backoff.standing.nextAt! - 1000
      expect(wait).toBeGreaterThanOrEqual(1)
      expect(wait).toBeLessThanOrEqual(Math.max(1, Math.min(900, 5 * 2 ** n)))
      expect(backoff.mayTry(monoSeconds(1000))).toBe(false)
      expect(backoff.mayTry(monoSeconds(1000 + wait))).toBe(true)
    }
  })

  it('begins anew after a connection that lasted a minute, not after one that was thrown out', () => {
    const backoff = new Backoff({ firstSeconds: 5, mostSeconds: 900 }, { next: () => 1 })
    for (let n = 0; n < 6; n++) backoff.failed(monoSeconds(0))
    backoff.lasted(59)
    backoff.failed(monoSeconds(0))
    expect(backoff.standing.nextAt).toBe(320)
    backoff.lasted(60)
    backoff.failed(monoSeconds(0))
    expect(backoff.standing.nextAt).toBe(5)
  })
})
