import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  canonicalLine,
  columnSet,
  monoSeconds,
  utcMillis,
  type Column,
  type Line,
} from '../../agent/terms/terms.js'
import { makePack, readPack, type PackForm, type PackLine } from '../../agent/uplink/uplink.js'
import {
  asStored,
  madeBoot,
  madeDay,
  madeSet,
  MadeStation,
  madeStart,
  senmlUnitOf,
} from '../support/made-lines.js'
import { entriesOf, isAbsolute, resolve, type Resolved } from '../support/senml-resolver.js'

const forms: PackForm[] = [
  { encoding: 'cbor', compress: true },
  { encoding: 'cbor', compress: false },
  { encoding: 'json', compress: true },
  { encoding: 'json', compress: false },
]
const plain: PackForm = { encoding: 'cbor', compress: false }
const head = { group: 'oakfield', station: 'st-1', storeId: 'f00d-1234', boot: madeBoot, sets: [madeSet] }
const pack = (lines: readonly PackLine[], form = plain, sets = [madeSet]): Uint8Array =>
  makePack({ ...head, sets, lines }, form)

function textsOf(bytes: Uint8Array): string[] {
  const read = readPack(bytes)
  if (!read.ok) throw new Error(read.fault.detail)
  return read.value.lines.map((line) => line.text)
}

const resolved = (bytes: Uint8Array): Resolved[] => resolve(entriesOf(bytes))

describe('a pack', () => {
  const lines = madeDay(3, 120)

  it.each(forms)('gives back every canonical text to the byte ($encoding, compressed: $compress)', (form) => {
    for (let from = 0; from < lines.length; from += 50) {
      const part = lines.slice(from, from + 50)
      expect(textsOf(pack(part, form))).toEqual(part.map((line) => line.text))
    }
  })

  it('says whose it is', () => {
    const read = readPack(pack(lines.slice(0, 5)))
    expect(read.ok && read.value).toMatchObject({
      group: 'oakfield',
      station: 'st-1',
      storeId: 'f00d-1234',
      boot: madeBoot,
    })
    expect(read.ok && read.value.sets).toEqual([madeSet])
  })

  it('keeps a day of twelve channels in 24 hourly packs under 100 kB', () => {
    const day = madeDay(7)
    let bytes = 0
    for (let hour = 0; hour < 24; hour++) {
      const from = hour === 0 ? 0 : 2 + 61 * hour
      bytes += pack(day.slice(from, 2 + 61 * (hour + 1)), forms[0]).length
    }
    console.info(`a day of ${day.length} lines (seed 7): ${bytes} bytes in 24 packs`)
    expect(bytes).toBeLessThan(100_000)
  })

  it('carries a record without trusted time, and every other kind, as text that gets no time', () => {
    const station = new MadeStation(5)
    const untrusted = station.record(8, 0, { untrusted: true })
    const some = [...lines.slice(0, 2), untrusted, station.record(9, 1)]
    const entries = resolved(pack(some))
    const texts = entries.filter((entry) => entry.n === 'oakfield/st-1/line')
    expect(texts.map((entry) => entry.vs)).toEqual([some[0].text, some[1].text, untrusted.text])
    for (const entry of texts) expect(isAbsolute(entry.t)).toBe(false)
    for (const entry of entries.filter((e) => isAbsolute(e.t))) expect(entry.t).toBe(madeStart / 1000 + 60)
  })

  it('carries the second of two records with the same second as text: its time would not tell it apart', () => {
    const station = new MadeStation(5)
    const first = station.record(8, 0)
    const second = station.record(9, 0)
    expect(textsOf(pack([first, second]))).toEqual([first.text, second.text])
  })

  it('refuses to be made of two boots, of an unknown column set, or for a name that SenML cannot hold', () => {
    const station = new MadeStation(5)
    expect(() => pack([station.record(1, 0), station.record(2, 1, { boot: 'ffffffff' })])).toThrow(
      'another boot',
    )
    expect(() => pack([station.record(1, 0)], plain, [])).toThrow('is not known')
    expect(() => makePack({ ...head, station: 'a b', lines: [] }, plain)).toThrow('SenML name')
  })
})

// The resolver in test/support is written from RFC 8428, RFC 8798 and RFC 9100 and shares no code with the packer.
describe('a generic SenML reader', () => {
  const lines = madeDay(3, 120).slice(0, 62)

  it.each(['cbor', 'json'] as const)(
    'sees names, units, times and values as they were recorded (%s)',
    (encoding) => {
      const entries = resolved(pack(lines, { encoding, compress: false }))
      const seen = new Map(entries.map((entry) => [`${entry.n} ${entry.t}`, entry]))
      let checked = 0
      for (const { line } of lines) {
        if (line.kind !== 'record') continue
        madeSet.columns.forEach((column, i) => {
          const entry = seen.get(`oakfield/st-1/${column.channel}:${column.statistic} ${line.utc! / 1000}`)
          expect(entry?.v).toBe(line.values[i])
          expect(entry?.u).toBe(senmlUnitOf(column))
          checked++
        })
        expect(seen.get(`oakfield/st-1/seconds ${line.utc! / 1000}`)).toMatchObject({ v: 60, u: 's' })
      }
      expect(checked).toBe(60 * madeSet.columns.length)
    },
  )

  it('that knows only version 10 refuses it, since secondary units occur (RFC 9100)', () => {
    expect(() => resolve(entriesOf(pack(lines)), 10)).toThrow('version 26')
  })
})

// ---- any record -----------------------------------------------------------------------------------------------------

const column: fc.Arbitrary<Column> = fc.record({
  channel: fc.constantFrom('pm2_5', 'pm10.2', 'temperature', 'battery_current', 'later_kind.x'),
  statistic: fc.constantFrom('mean', 'used', 'max', 'min', 'sd', 'all'),
  unit: fc.constantFrom('ug/m3', 's', 'X'),
  decimals: fc.integer({ min: 0, max: 6 }),
  basis: fc.constantFrom('measured', 'inferred'),
})
const reasons = fc.dictionary(
  fc.constantFrom('warm-up', 'stuck.1', 'no-data', 'spike.2'),
  fc.integer({ min: 1, max: 600 }).map((tenths) => tenths / 10),
)
const value = fc.oneof(
  fc.double({ min: -1e5, max: 1e5, noNaN: true }),
  fc.constantFrom(NaN, 0, -0, 0.5, -0.004, 1e9, 123456.789, 2 ** 40),
)

const madeLines = fc
  .record({
    sets: fc.array(fc.array(column, { minLength: 1, maxLength: 6 }).map(columnSet), {
      minLength: 1,
      maxLength: 2,
    }),
    rows: fc.array(
      fc.record({
        set: fc.nat(),
        values: fc.array(value, { minLength: 6, maxLength: 6 }),
        step: fc.integer({ min: 1, max: 40 }),
        second: fc.option(fc.integer({ min: -100, max: 4_000_000_000 }), { nil: undefined }),
        mono: fc.integer({ min: 0, max: 1e9 }).map((hundredths) => monoSeconds(hundredths / 100)),
        tenths: fc.integer({ min: 0, max: 6000 }),
        excluded: reasons,
        marked: reasons,
      }),
      { maxLength: 12, size: 'max' },
    ),
  })
  .map(({ sets, rows }) => {
    let seq = 0
    const lines = rows.map((row): Line => {
      const set = sets[row.set % sets.length]
      const utc = row.second === undefined ? undefined : utcMillis(row.second * 1000)
      const [seconds, planned] = [row.tenths / 10, row.tenths / 20]
      return {
        ...{
          kind: 'record',
          seq: (seq += row.step),
          set: set.id,
          boot: madeBoot,
          mono: row.mono,
          utc,
          seconds,
          planned,
        },
        ...{ values: row.values.slice(0, set.columns.length), excluded: row.excluded, marked: row.marked },
      }
    })
    return { sets, lines: lines.map((line) => asStored(line, sets)) }
  })

const seed = Number(process.env.SEED ?? Math.floor(Math.random() * 2 ** 31))
console.info(`pack properties: seed ${seed}`)

describe('any records', () => {
  it('come back to the byte in every form, and are valid SenML', () => {
    fc.assert(
      fc.property(madeLines, fc.constantFrom(...forms), ({ sets, lines }, form) => {
        const bytes = pack(lines, form, sets)
        expect(textsOf(bytes)).toEqual(lines.map((line) => line.text))
        if (!form.compress) resolve(entriesOf(bytes))
      }),
      { seed, numRuns: 300 },
    )
  })

  it('that were damaged on the way are refused, or what is read is canonical; nothing is thrown', () => {
    const damage = fc.array(fc.tuple(fc.nat(), fc.integer({ min: 0, max: 255 }), fc.nat(3)), {
      minLength: 1,
      maxLength: 4,
    })
    let refused = 0
    fc.assert(
      fc.property(madeLines, fc.constantFrom(...forms), damage, ({ sets, lines }, form, changes) => {
        const read = readPack(damaged(pack(lines, form, sets), changes))
        if (read.ok)
          for (const line of read.value.lines) expect(rewritten(line.line, read.value.sets)).toBe(line.text)
        else refused++
        if (!read.ok) expect(read.fault.code).toBe('pack-refused')
      }),
      { seed, numRuns: 1500 },
    )
    console.info(`of 1500 damaged packs ${refused} were refused`)
    expect(refused).toBeGreaterThan(500)
  })

  it('of pure noise are refused', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300, size: 'max' }), (noise) => {
        expect(readPack(noise).ok).toBe(false)
      }),
      { seed, numRuns: 2000 },
    )
  })
})

const rewritten = (line: Line, sets: readonly ReturnType<typeof columnSet>[]): string =>
  canonicalLine(line, line.kind === 'record' ? sets.find((set) => set.id === line.set) : undefined)

/** Bytes changed, taken out, or doubled. */
function damaged(bytes: Uint8Array, changes: readonly [number, number, number][]): Uint8Array {
  let out = [...bytes]
  for (const [where, byte, how] of changes) {
    const at = where % Math.max(1, out.length)
    if (how === 0) out.splice(at, 1)
    else if (how === 1) out = [...out.slice(0, at), ...out.slice(at, at + 40), ...out.slice(at)]
    else out[at] = how === 2 ? byte : out[at] ^ (1 << (byte & 7))
  }
  return Uint8Array.from(out)
}
