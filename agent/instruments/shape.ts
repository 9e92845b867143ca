/** One thing wrong with a layout: where, as a path of keys, and in words what is allowed. */
export interface LayoutFault {
  readonly path: string
  readonly words: string
}

export type Parsed = Readonly<Record<string, unknown>>

const hexShape = /^[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*$/

/** Reads plain parsed values by hand and collects every fault instead of stopping at the first. */
export class ShapeReader {
  readonly faults: LayoutFault[] = []

  fault(path: string, words: string): undefined {
    this.faults.push({ path, words })
    return undefined
  }

  /** A map with only the keys given; a key ending in '?' may be absent. */
  map(value: unknown, path: string, keys: readonly string[]): Parsed | undefined {
    if (typeof value !== 'object' || value === null || Array.isArray(value))
      return this.fault(path, 'must be a map of keys')
    const allowed = keys.map((key) => key.replace('?', ''))
    for (const key of Object.keys(value))
      if (!allowed.includes(key))
        this.fault(join(path, key), `is not known here; allowed: ${allowed.join(', ')}`)
    for (const key of keys)
      if (!key.endsWith('?') && !Object.hasOwn(value, key)) this.fault(join(path, key), 'is missing')
    return value as Parsed
  }

  list(value: unknown, path: string): readonly unknown[] {
    if (Array.isArray(value)) return value
    this.fault(path, 'must be a list')
    return []
  }

  text(value: unknown, path: string): string {
    if (typeof value === 'string' && value !== '') return value
    if (value !== undefined) this.fault(path, 'must be a text')
    return ''
  }

  number(value: unknown, path: string, lowest: number, highest: number, whole = true): number {
    const fits = typeof value === 'number' && value >= lowest && value <= highest
    if (fits && (!whole || Number.isInteger(value))) return value
    if (value !== undefined)
      this.fault(path, `must be a ${whole ? 'whole ' : ''}number from ${lowest} to ${highest}`)
    return lowest
  }

  oneOf<T extends string>(value: unknown, path: string, allowed: readonly T[]): T {
    if (allowed.includes(value as T)) return value as T
    if (value !== undefined) this.fault(path, `must be one of ${allowed.join(', ')}`)
    return allowed[0]
  }

  /** Bytes as hex text, '42 4D'; of exactly `length` bytes where that is given. */
  hex(value: unknown, path: string, length?: number): Uint8Array {
    if (value === undefined) return new Uint8Array(length ?? 0)
    if (typeof value !== 'string' || !hexShape.test(value)) {
      this.fault(path, "must be bytes in hex between quotes, like '42 4D'")
      return new Uint8Array(length ?? 0)
    }
    const bytes = hexBytes(value)
    if (length !== undefined && bytes.length !== length) {
      this.fault(path, `must be ${length} byte${length === 1 ? '' : 's'} in hex`)
      return new Uint8Array(length)
    }
    return bytes
  }

  /** Hex text in which '..' stands for any byte; such a byte becomes -1. */
  hexPattern(value: unknown, path: string): number[] {
    const parts = typeof value === 'string' ? value.split(' ') : []
    if (parts.length > 0 && parts.every((part) => part === '..' || /^[0-9A-Fa-f]{2}$/.test(part)))
      return parts.map((part) => (part === '..' ? -1 : parseInt(part, 16)))
    this.fault(path, "must be bytes in hex with spaces between, '..' for any byte")
    return []
  }
}

export const join = (path: string, key: string | number): string => {
  if (typeof key === 'number') return `${path}[${key}]`
  return path === '' ? key : `${path}.${key}`
}

/** Bytes of hex text that is known to be such. */
export const hexBytes = (text: string): Uint8Array =>
  Uint8Array.from(text.replaceAll(' ', '').match(/../g) ?? [], (pair) => parseInt(pair, 16))

export const hexText = (bytes: ArrayLike<number>): string =>
  Array.from(bytes, (byte) => byte.toString(16).toUpperCase().padStart(2, '0')).join(' ')
