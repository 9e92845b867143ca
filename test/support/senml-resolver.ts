/**
 * A small strict reader of SenML, written from RFC 8428, RFC 8798 and RFC 9100 only; it knows nothing of our packs and
 * shares no code with agent/uplink. It throws on anything the RFCs call an error.
 */
import { decode } from 'cborg'

export interface Resolved {
  n: string
  u?: string
  /** Absolute, or relative to `now` when below 2^28 (as given). */
  t: number
  v?: number
  vs?: string
  vb?: boolean
  vd?: string
  s?: number
}

type Fields = Record<string, unknown>

const cborLabels: Record<number, string> = {
  [-1]: 'bver',
  [-2]: 'bn',
  [-3]: 'bt',
  [-4]: 'bu',
  [-5]: 'bv',
  [-6]: 'bs',
  0: 'n',
  1: 'u',
  2: 'v',
  3: 'vs',
  4: 'vb',
  5: 's',
  6: 't',
  7: 'ut',
  8: 'vd',
}
const known = new Set(Object.values(cborLabels))
const numbers = new Set(['bver', 'bt', 'bv', 'bs', 'v', 's', 't', 'ut'])

/** RFC 8428 section 4.3 table 1 as far as needed, and RFC 8798 table 1. */
const primaryUnits = new Set([
  'm',
  'kg',
  'g',
  's',
  'A',
  'V',
  'W',
  'J',
  'C',
  'Cel',
  'Pa',
  '%RH',
  '%EL',
  'EL',
  'dB',
])
for (const unit of [
  'm/s',
  '/',
  'lat',
  'lon',
  'count',
  'kg/m3',
  'deg',
  'rad',
  'B',
  'bit/s',
  'W/m2',
  'K',
  'Hz',
])
  primaryUnits.add(unit)
/** RFC 8798 table 2: scale and offset to the primary unit. */
export const secondaryUnits: Record<string, { unit: string; scale: number; offset: number }> = {
  'ug/m3': { unit: 'kg/m3', scale: 1e-9, offset: 0 },
  hPa: { unit: 'Pa', scale: 100, offset: 0 },
  mV: { unit: 'V', scale: 1e-3, offset: 0 },
  mA: { unit: 'A', scale: 1e-3, offset: 0 },
  Wh: { unit: 'J', scale: 3600, offset: 0 },
  Ah: { unit: 'C', scale: 3600, offset: 0 },
  dBm: { unit: 'dBW', scale: 1, offset: -30 },
  'km/h': { unit: 'm/s', scale: 1 / 3.6, offset: 0 },
  min: { unit: 's', scale: 60, offset: 0 },
  '/100': { unit: '/', scale: 0.01, offset: 0 },
  KiB: { unit: 'B', scale: 1024, offset: 0 },
}

export const isName = (name: string): boolean => /^[A-Za-z0-9][A-Za-z0-9\-:./_]*$/.test(name)
export const isAbsolute = (time: number): boolean => time >= 2 ** 28

/** Entries of a pack with text labels, from JSON text or CBOR bytes. */
export function entriesOf(bytes: Uint8Array): Fields[] {
  if (bytes[0] === 0x5b) return JSON.parse(new TextDecoder().decode(bytes)) as Fields[]
  const tags = {
    4: (content: () => unknown) => {
      const [exponent, mantissa] = content() as [number, number]
      return Number(`${mantissa}e${exponent}`)
    },
  }
  const pack = decode(bytes, { useMaps: true, strict: true, rejectDuplicateMapKeys: true, tags }) as Map<
    unknown,
    unknown
  >[]
  return pack.map((entry) => {
    const named = [...entry].map(([label, value]) => [
      typeof label === 'number' ? cborLabels[label] : label,
      value,
    ])
    return Object.fromEntries(named) as Fields
  })
}

/** Resolved records in time order (section 4.6). `features` are the version bits this reader has. */
export function resolve(entries: readonly Fields[], features = 10 | 16): Resolved[] {
  let base: Fields = {}
  let version = 10
  entries.forEach((entry, i) => {
    checkFields(entry)
    if (entry.bver === undefined) return
    if (i > 0 && entry.bver !== version) throw new Error('bver differs inside the pack')
    version = entry.bver as number
  })
  if ((version & ~features) !== 0) throw new Error(`version ${version}`)
  const resolved = entries.map((entry) => {
    base = {
      ...base,
      ...Object.fromEntries(Object.entries(entry).filter(([label]) => /^b[ntuvs]$/.test(label))),
    }
    return resolveOne(entry, base, version)
  })
  return resolved
    .map((r, i) => ({ r, i }))
    .sort((a, b) => a.r.t - b.r.t || a.i - b.i)
    .map(({ r }) => r)
}

function checkFields(entry: Fields): void {
  for (const [label, value] of Object.entries(entry)) {
    if (!known.has(label) && label.endsWith('_')) throw new Error(`must understand ${label}`)
    if (numbers.has(label) && !(typeof value === 'number' && Number.isFinite(value)))
      throw new Error(`${label} no number`)
    if (['bn', 'bu', 'n', 'u', 'vs'].includes(label) && typeof value !== 'string')
      throw new Error(`${label} no text`)
  }
}

function resolveOne(entry: Fields, base: Fields, version: number): Resolved {
  const n = String(base.bn ?? '') + String(entry.n ?? '')
  if (!isName(n)) throw new Error(`name ${n}`)
  const u = (entry.u ?? base.bu) as string | undefined
  if (u !== undefined && !primaryUnits.has(u) && !((version & 16) !== 0 && u in secondaryUnits))
    throw new Error(`unit ${u}`)
  const t = ((base.bt as number) ?? 0) + ((entry.t as number) ?? 0)
  const given = ['vs', 'vb', 'vd'].filter((label) => label in entry)
  const hasNumber = 'v' in entry || ('bv' in base && given.length === 0 && !('s' in entry))
  if (given.length + (hasNumber ? 1 : 0) > 1) throw new Error('more than one value')
  const hasSum = 's' in entry || 'bs' in base
  if (given.length === 0 && !hasNumber && !hasSum) throw new Error('no value')
  const out: Resolved = { n, t, ...(u === undefined ? {} : { u }) }
  if (hasNumber) out.v = ((base.bv as number) ?? 0) + ((entry.v as number) ?? 0)
  for (const label of given) Object.assign(out, { [label]: entry[label] })
  if (hasSum) out.s = ((base.bs as number) ?? 0) + ((entry.s as number) ?? 0)
  return out
}
