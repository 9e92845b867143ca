/**
 * Reads SenML packs (RFC 8428) that anybody may have sent: bounded, then decoded, then resolved (base fields applied).
 * Only what this program needs is resolved: names, times, numbers and texts. Other value fields are passed over.
 */
import { decode } from 'cborg'
import { labels, type Label } from './senml-write.js'
import { Refusal } from './refusal.js'
import { scanCbor, scanJson, type ShapeLimits } from './scan.js'

/** A resolved entry (RFC 8428 section 4.6): its whole name, its time, its value. */
export interface SenmlEntry {
  readonly name: string
  /** Seconds: since 1970 from 2^28 on, below that relative to now. */
  readonly time: number
  /** Absent where the entry has a value of another kind. */
  readonly value?: number | string
}

/** RFC 8428 section 4.5.1: what a resolved name may be made of. */
export const senmlName = /^[A-Za-z0-9][A-Za-z0-9\-:./_]*$/
const longestName = 255
/** Feature bits of the version that are understood (RFC 9100): those of 10, and secondary units. */
const knownFeatures = 10 | 16

/** @throws Refusal */
export function readSenml(bytes: Uint8Array, limits: ShapeLimits): SenmlEntry[] {
  const json = bytes[0] === 0x5b
  const entries = json ? decodeJson(bytes, limits) : decodeCbor(bytes, limits)
  const resolver = new Resolver()
  return entries.map((fields) => resolver.resolve(fields))
}

// ---- decoding -------------------------------------------------------------------------------------------------------

type Fields = ReadonlyMap<unknown, unknown>

function decodeJson(bytes: Uint8Array, limits: ShapeLimits): Fields[] {
  scanJson(bytes, limits)
  let pack: unknown
  try {
    pack = JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(bytes))
  } catch {
    throw new Refusal('not-json', 'not well-formed')
  }
  return listOf(pack).map((entry) => {
    if (typeof entry !== 'object' || entry === null || Array.isArray(entry))
      throw new Refusal('not-senml', 'no object')
    return new Map(
      Object.entries(entry).map(([key, value]) => [
        Object.hasOwn(labels, key) ? labels[key as Label] : key,
        value,
      ]),
    )
  })
}

const cborOptions = {
  useMaps: true,
  rejectDuplicateMapKeys: true,
  allowIndefinite: false,
  allowUndefined: false,
  allowInfinity: false,
  allowNaN: false,
  tags: { 4: (content: () => unknown) => decimalFraction(content()) },
}

function decodeCbor(bytes: Uint8Array, limits: ShapeLimits): Fields[] {
  scanCbor(bytes, limits)
  let pack: unknown
  try {
    pack = decode(bytes, cborOptions)
  } catch (error) {
    throw error instanceof Refusal ? error : new Refusal('not-cbor', (error as Error).message)
  }
  return listOf(pack).map((entry) => {
    if (!(entry instanceof Map)) throw new Refusal('not-senml', 'an entry is no map')
    return entry
  })
}

function listOf(pack: unknown): unknown[] {
  if (!Array.isArray(pack)) throw new Refusal('not-senml', 'not a list of entries')
  return pack
}

/** Powers of ten up to this are exact in a double, so one division rounds correctly. */
const exactPower = 22

/** Tag 4 (RFC 8949 section 3.4.4): [exponent, mantissa]. */
function decimalFraction(content: unknown): number {
  const [exponent, mantissa] = Array.isArray(content) && content.length === 2 ? (content as unknown[]) : []
  if (!Number.isSafeInteger(mantissa) || !Number.isSafeInteger(exponent))
    throw new Refusal('bad-value', 'not a decimal fraction of whole numbers')
  if (Math.abs(exponent as number) > exactPower)
    throw new Refusal('bad-value', `exponent ${String(exponent)}`)
  const power = 10 ** Math.abs(exponent as number)
  return (exponent as number) < 0 ? (mantissa as number) / power : (mantissa as number) * power
}

// ---- resolving ------------------------------------------------------------------------------------------------------

/** Labels with a meaning that is not needed here: base unit and unit, sums, update time, values of other kinds. */
const passedOver = new Set<unknown>([-4, -6, 1, 4, 5, 7, 8, 'bs', 's', 'ut', 'vb', 'vd'])
const understood = new Set<unknown>(Object.values(labels)).add(-5).add('bv')

class Resolver {
  private name = ''
  private time = 0
  private value = 0
  private version: number | undefined

  resolve(fields: Fields): SenmlEntry {
    for (const label of fields.keys()) mindLabel(label)
    this.takeBase(fields)
    const name = this.name + (textOf(fields, labels.n) ?? '')
    if (name.length > longestName || !senmlName.test(name))
      throw new Refusal('bad-name', JSON.stringify(name.slice(0, 80)))
    const time = this.time + (numberOf(fields, labels.t) ?? 0)
    return { name, time, value: this.valueOf(fields) }
  }

  private takeBase(fields: Fields): void {
    this.name = textOf(fields, labels.bn) ?? this.name
    this.time = numberOf(fields, labels.bt) ?? this.time
    this.value = numberOf(fields, -5) ?? numberOf(fields, 'bv') ?? this.value
    const version = numberOf(fields, labels.bver)
    if (version === undefined) return
    if (this.version !== undefined && version !== this.version)
      throw new Refusal('version', 'changes inside the pack')
    if (!Number.isSafeInteger(version) || version < 0 || version > 255 || (version & ~knownFeatures) !== 0)
      throw new Refusal('version', `${version} has features that are not understood`)
    this.version = version
  }

  private valueOf(fields: Fields): number | string | undefined {
    const number = numberOf(fields, labels.v)
    const text = textOf(fields, labels.vs)
    if (number !== undefined && text !== undefined) throw new Refusal('not-senml', 'two values in one entry')
    return number === undefined ? text : this.value + number
  }
}

function mindLabel(label: unknown): void {
  if (understood.has(label) || passedOver.has(label)) return
  if (typeof label === 'string') {
    if (label.endsWith('_')) throw new Refusal('must-understand', JSON.stringify(label.slice(0, 40)))
  } else if (!Number.isSafeInteger(label))
    throw new Refusal('not-senml', 'a label is neither number nor text')
}

function numberOf(fields: Fields, label: unknown): number | undefined {
  const value = fields.get(label)
  if (value === undefined) return undefined
  if (typeof value !== 'number' || !Number.isFinite(value))
    throw new Refusal('bad-value', 'a number is expected')
  return value
}

function textOf(fields: Fields, label: unknown): string | undefined {
  const value = fields.get(label)
  if (value === undefined) return undefined
  if (typeof value !== 'string') throw new Refusal('bad-value', 'a text is expected')
  return value
}
