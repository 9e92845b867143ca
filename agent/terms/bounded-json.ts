/** JSON from anybody: what would cost too much is refused before it is decoded. */

export interface JsonLimits {
  readonly bytes: number
  readonly depth: number
  /** Commas, about the number of values. */
  readonly items: number
}

export type JsonRead =
  | { readonly ok: true; readonly facts: Facts }
  | {
      readonly ok: false
      readonly reason: 'too-long' | 'too-deep' | 'too-many' | 'not-json' | 'not-an-object'
    }

export type Facts = Readonly<Record<string, unknown>>

const quote = 0x22
const backslash = 0x5c

/** One JSON object within limits. Never throws. */
export function readBoundedJson(payload: Uint8Array, limits: JsonLimits): JsonRead {
  if (payload.length > limits.bytes) return { ok: false, reason: 'too-long' }
  const cost = costOf(payload, limits)
  if (cost) return { ok: false, reason: cost }
  try {
    const value: unknown = JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(payload))
    return isFacts(value) ? { ok: true, facts: value } : { ok: false, reason: 'not-an-object' }
  } catch {
    return { ok: false, reason: 'not-json' }
  }
}

function costOf(payload: Uint8Array, { depth: most, items: mostItems }: JsonLimits) {
  let depth = 0
  let items = 0
  let inText = false
  for (let at = 0; at < payload.length; at++) {
    const byte = payload[at]
    if (inText) {
      if (byte === backslash) at++
      else if (byte === quote) inText = false
    } else if (byte === quote) inText = true
    else if (byte === 0x5b || byte === 0x7b) depth++
    else if (byte === 0x5d || byte === 0x7d) depth--
    else if (byte === 0x2c) items++
    if (depth > most) return 'too-deep'
    if (items > mostItems) return 'too-many'
  }
  return undefined
}

// ---- guarded looks --------------------------------------------------------------------------------------------------

const isFacts = (value: unknown): value is Facts =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

export const factsIn = (value: unknown): Facts => (isFacts(value) ? value : {})

export const listIn = (value: unknown, most: number): readonly unknown[] =>
  Array.isArray(value) ? value.slice(0, most) : []

/** What lies beyond its bounds is no number: nothing is made of it. */
export const numberIn = (
  value: unknown,
  least = -Number.MAX_VALUE,
  most = Number.MAX_VALUE,
): number | undefined => (typeof value === 'number' && value >= least && value <= most ? value : undefined)

const longestText = 160

/** One line of text, cut; what would move the cursor of a terminal becomes a space. */
export const textIn = (value: unknown, longest = longestText): string | undefined =>
  typeof value === 'string' && value !== ''
    ? value.slice(0, longest).replace(/[\u0000-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069]/g, ' ')
    : undefined

/** Without the keys that are undefined. */
export const known = <T extends object>(facts: T): { [K in keyof T]?: Exclude<T[K], undefined> } =>
  Object.fromEntries(Object.entries(facts).filter(([, value]) => value !== undefined)) as {
    [K in keyof T]?: Exclude<T[K], undefined>
  }
