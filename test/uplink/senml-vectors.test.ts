/** Vectors of the reference (RFC 8428, RFC 8798, RFC 9100) through the generic resolver of the tests and our own reader. */
import { existsSync, readFileSync } from 'node:fs'
import { describe, expect, it } from 'vitest'
import { readSenml, senmlName } from '../../agent/uplink/senml-read.js'
import { senmlWriter, type Label } from '../../agent/uplink/senml-write.js'
import { firstAbsoluteSeconds } from '../../agent/uplink/pack.js'
import { entriesOf, isAbsolute, isName, resolve, secondaryUnits } from '../support/senml-resolver.js'

const file = new URL('../../../shared/reference/sound-wind-power-checks.json', import.meta.url)
const present = existsSync(file)
if (!present) console.info('the reference vectors are not beside the project: the SenML vectors are skipped')

interface Vector {
  id: string
  inputs: Record<string, unknown>
  expected: Record<string, unknown>
}
const vectors = new Map(
  present ? (Object.values(JSON.parse(readFileSync(file, 'utf8'))) as Vector[]).map((v) => [v.id, v]) : [],
)
type Fields = Record<string, unknown>
const vector = (id: string): { inputs: any; expected: any } => vectors.get(id)! // eslint-disable-line @typescript-eslint/no-explicit-any
const asJson = (pack: readonly unknown[]): Uint8Array => new TextEncoder().encode(JSON.stringify(pack))
const limits = { depth: 6, items: 10_000 }

describe.runIf(present)('the SenML vectors', () => {
  it.each(['senml-resolve-rfc', 'senml-resolve-own'])(
    '%s: names, times and values resolve as given',
    (id) => {
      const { inputs, expected } = vector(id)
      const pack = inputs.pack as Fields[]
      resolve(pack).forEach((entry, i) => {
        const want = expected.resolved[i] as Fields
        expect({ ...entry, v: undefined }).toEqual({ ...want, v: undefined })
        if (want.v !== undefined) expect(entry.v).toBeCloseTo(want.v as number, 9)
      })
      const ours = readSenml(asJson(pack), limits).sort((a, b) => a.time - b.time)
      ours.forEach((entry, i) => {
        const want = expected.resolved[i] as Fields
        expect([entry.name, entry.time]).toEqual([want.n, want.t])
        if (typeof entry.value === 'number' && want.s === undefined)
          expect(entry.value).toBeCloseTo(want.v as number, 9)
        if (want.vs !== undefined) expect(entry.value).toBe(want.vs)
      })
    },
  )

  it('senml-time-boundary: times are absolute from 2^28 on', () => {
    const { inputs, expected } = vector('senml-time-boundary')
    expect(inputs.times.map(isAbsolute)).toEqual(expected.absolute)
    expect(inputs.times.map((t: number) => t >= firstAbsoluteSeconds)).toEqual(expected.absolute)
    expect(new Date(firstAbsoluteSeconds * 1000).toISOString()).toContain(
      expected.smallest_absolute_utc.slice(0, 19),
    )
  })

  it('senml-names: the same names are names', () => {
    const { inputs, expected } = vector('senml-names')
    expect(inputs.names.map(isName)).toEqual(expected.valid)
    expect(inputs.names.map((name: string) => senmlName.test(name))).toEqual(expected.valid)
  })

  it('senml-unknown-and-must-understand: unknown labels are ignored, a trailing underscore is not', () => {
    const { inputs, expected } = vector('senml-unknown-and-must-understand')
    const outcome = (work: () => unknown): boolean => {
      try {
        work()
        return true
      } catch {
        return false
      }
    }
    const accepted = expected.result.map((word: string) => word.startsWith('accept'))
    expect(inputs.records.map((r: Fields) => outcome(() => resolve([r], 10)))).toEqual(accepted)
    // Our reader also knows secondary units, so it differs in the one record that declares them.
    const ours = inputs.records.map((r: Fields) => outcome(() => readSenml(asJson([r]), limits)))
    expect(ours).toEqual(accepted.map((a: boolean, i: number) => a || inputs.records[i].bver === 26))
  })

  it('senml-secondary-units: the same scales', () => {
    const { inputs, expected } = vector('senml-secondary-units')
    inputs.values.forEach(([unit, value]: [string, number], i: number) => {
      const { unit: primary, scale, offset } = secondaryUnits[unit]
      expect(primary).toBe(expected.primary[i][0])
      const want = expected.primary[i][1] as number
      expect(Math.abs(value * scale + offset - want)).toBeLessThanOrEqual(1e-12 * Math.max(1, Math.abs(want)))
    })
  })

  it('senml-cbor-rfc and senml-cbor-own: the bytes are read as the packs beside them', () => {
    for (const [hex, pack] of [
      [vector('senml-cbor-rfc').inputs.hex, vector('senml-cbor-rfc').expected.pack],
      [vector('senml-cbor-own').expected.hex, vector('senml-cbor-own').inputs.pack],
    ]) {
      const entries = entriesOf(Buffer.from(hex, 'hex'))
      const plain = entries.map((e) =>
        e.vd instanceof Uint8Array ? { ...e, vd: Buffer.from(e.vd).toString('base64url') } : e,
      )
      expect(plain).toEqual(pack)
    }
    const ours = readSenml(Buffer.from(vector('senml-cbor-own').expected.hex, 'hex'), limits)
    const want = resolve(vector('senml-cbor-own').inputs.pack as Fields[])
    expect(ours).toHaveLength(want.length)
    for (const entry of ours) {
      const one = want.find((w) => w.n === entry.name)!
      expect(entry.time).toBe(one.t)
      expect(entry.value).toBe(one.v ?? one.vs)
    }
  })

  it('senml-cbor-own: our writer makes the same bytes where it writes the same kinds of value', () => {
    const { inputs, expected } = vector('senml-cbor-own')
    const writer = senmlWriter('cbor')
    const kept = (inputs.pack as Fields[]).filter(
      (entry) => typeof entry.vs === 'string' || entry.n === 'soc',
    )
    for (const entry of kept) {
      writer.entry(Object.keys(entry).length)
      for (const [label, value] of Object.entries(entry))
        if (typeof value === 'string') writer.text(label as Label, value)
        else writer.whole(label as Label, value as number)
    }
    const bytes = Buffer.from(writer.finish()).toString('hex')
    expect(bytes.slice(0, 2)).toBe('82')
    for (const part of bytes.slice(2).split('a4')) expect(expected.hex).toContain(part)
  })
})
