/** Plain values out of a file, read by hand: every fault at once, with the path of its key and what is allowed. */

/** One thing wrong with a file of limits or a correction. */
export interface PlainFault {
  /** 'limits[2].level'. */
  readonly path: string
  readonly words: string
}

export type PlainRead<T> =
  { readonly ok: true; readonly value: T } | { readonly ok: false; readonly faults: readonly PlainFault[] }

export type PlainMap = Readonly<Record<string, unknown>>

const longestText = 400
const mostItems = 200
const dayShape = /^\d{4}-\d\d-\d\d$/

export class PlainReader {
  readonly faults: PlainFault[] = []

  fault(path: string, words: string): undefined {
    this.faults.push({ path, words })
    return undefined
  }

  /** A map with only the keys given; a key ending in '?' may be absent. An empty map stands for one that is none. */
  map(value: unknown, path: string, keys: readonly string[]): PlainMap {
    if (typeof value !== 'object' || value === null || Array.isArray(value)) {
      this.fault(path, 'must be a map of keys')
      return {}
    }
    const allowed = keys.map((key) => key.replace('?', ''))
    for (const key of Object.keys(value))
      if (!allowed.includes(key))
        this.fault(under(path, key), `is not known here; allowed: ${allowed.join(', ')}`)
    for (const key of keys)
      if (!key.endsWith('?') && !Object.hasOwn(value, key)) this.fault(under(path, key), 'is missing')
    return value as PlainMap
  }

  /** A list, each item read by itself; what cannot be read is left out. */
  list<T>(value: unknown, path: string, item: (value: unknown, path: string) => T): T[] {
    if (value === undefined) return []
    if (!Array.isArray(value) || value.length > mostItems) {
      this.fault(path, `must be a list of at most ${mostItems}`)
      return []
    }
    return value.map((entry, i) => item(entry, `${path}[${i}]`))
  }

  text(from: PlainMap, key: string, path: string): string {
    const value = from[key]
    if (typeof value === 'string' && value !== '' && value.length <= longestText) return value
    if (value !== undefined) this.fault(under(path, key), `must be a text of 1 to ${longestText} characters`)
    return ''
  }

  optionalText(from: PlainMap, key: string, path: string): string | undefined {
    return from[key] === undefined ? undefined : this.text(from, key, path)
  }

  number(from: PlainMap, key: string, path: string, lowest: number, highest: number): number {
    const value = from[key]
    if (typeof value === 'number' && value >= lowest && value <= highest) return value
    if (value !== undefined) this.fault(under(path, key), `must be a number from ${lowest} to ${highest}`)
    return lowest
  }

  wholeNumber(from: PlainMap, key: string, path: string, lowest: number, highest: number): number {
    const value = this.number(from, key, path, lowest, highest)
    if (Number.isInteger(value)) return value
    this.fault(under(path, key), 'must be a whole number')
    return lowest
  }

  oneOf<T extends string>(from: PlainMap, key: string, path: string, allowed: readonly T[]): T {
    const value = from[key]
    if (allowed.includes(value as T)) return value as T
    if (value !== undefined) this.fault(under(path, key), `must be one of ${allowed.join(', ')}`)
    return allowed[0]
  }

  /** 'YYYY-MM-DD', a day that exists. */
  day(from: PlainMap, key: string, path: string): string | undefined {
    const value = from[key]
    if (value === undefined) return undefined
    if (typeof value === 'string' && dayShape.test(value) && isCalendarDay(value)) return value
    return this.fault(under(path, key), "must be a day between quotes, like '2024-05-06'")
  }

  /** The value when nothing was wrong with any part of it. */
  outcome<T>(value: T): PlainRead<T> {
    return this.faults.length === 0 ? { ok: true, value } : { ok: false, faults: this.faults }
  }
}

export const under = (path: string, key: string): string => (path === '' ? key : `${path}.${key}`)

function isCalendarDay(text: string): boolean {
  const millis = Date.parse(`${text}T00:00:00Z`)
  return !Number.isNaN(millis) && new Date(millis).toISOString().startsWith(text)
}
